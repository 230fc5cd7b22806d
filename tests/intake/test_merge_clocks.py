"""What was said under a clock that ran ahead and taken back under one put right stays taken back, in every store."""

from collections.abc import Callable
from datetime import UTC, datetime, timedelta
from decimal import Decimal
from pathlib import Path
from typing import Any

import pytest

from collector import intake
from collector.intake.take_log import take_log
from collector.store import Store, journal, open_store, people, readings
from collector.store.journal import cuffs, derivation, stations
from collector.store.people import loans, notes, office_visits, sittings, slot_spans
from collector.store.readings import claims, strikes
from parsers.measurement import build_measurement, measurement

FAST, NOW = datetime(2036, 2, 7, 6, 28, tzinfo=UTC), datetime(2031, 3, 4, 12, tzinfo=UTC)
CUFF, DAY = "F0:00:00:00:00:01", NOW.date()


def reading(store: Store) -> str:
    return next(readings.select(store)).reading_id


def visit(store: Store) -> str:
    return office_visits.every(store, "mira")[0].visit_id


def spans(store: Store) -> list[Any]:
    return [(span.person, span.until) for span in slot_spans.every(store)]


def give(store: Store, at: datetime) -> None:
    slot_spans.add(store, "mira", CUFF, 1, at, since=NOW - timedelta(days=9))


def own(store: Store) -> list[str | None]:
    intake.reassign(store)
    return [one.person for one in readings.select(store)]


def open_loan(store: Store) -> loans.Loan:
    found = loans.current(store, CUFF)
    assert found
    return found


Said = Callable[[Store, datetime], Any]
CASES: dict[str, tuple[Said, Said, Callable[[Store], Any], Any]] = {
    "a slot given, and taken back": (
        give, lambda s, at: slot_spans.remove(s, 1, at), spans, []),
    "a slot given, and ended": (
        give, lambda s, at: slot_spans.end(s, 1, NOW, at), spans, [("mira", NOW)]),
    "a reading claimed, and left to its slot": (
        lambda s, at: claims.claim(s, reading(s), "mira", at), lambda s, at: claims.withdraw(s, reading(s), at),
        own, [None]),
    "a reading claimed, and released": (
        lambda s, at: claims.claim(s, reading(s), "mira", at), lambda s, at: claims.release(s, reading(s), at),
        own, [None]),
    "a reading struck out, and counted again": (
        lambda s, at: strikes.strike(s, reading(s), at), lambda s, at: strikes.undo(s, reading(s), at),
        lambda s: next(readings.select(s)).marks, ()),
    "a person renamed, and back": (
        lambda s, at: people.rename(s, "mira", "mora", at), lambda s, at: people.rename(s, "mora", "mira", at),
        lambda s: [one.name for one in people.every(s)], ["mira"]),
    "an office visit kept, and taken back": (
        lambda s, at: office_visits.add(s, "mira", DAY, [(Decimal(144), Decimal(91))], at),
        lambda s, at: office_visits.remove(s, "mira", visit(s), at), lambda s: office_visits.every(s, "mira"), []),
    "a note, and taken back": (
        lambda s, at: notes.add(s, "mira", DAY, "new tablet", notes.OTHER, at),
        lambda s, at: notes.remove(s, "mira", notes.every(s, "mira")[0].note_id, at),
        lambda s: notes.every(s, "mira"), []),
    "a cuff named, and named anew": (
        lambda s, at: cuffs.name(s, CUFF, "kitchen", at), lambda s, at: cuffs.name(s, CUFF, "bedroom", at),
        lambda s: [cuffs.find(s, name) for name in ("kitchen", "bedroom")], [None, CUFF]),
    "a cuff forgotten, and added again": (
        lambda s, at: cuffs.forget(s, CUFF, at), lambda s, at: cuffs.remember(s, CUFF, at),
        lambda s: cuffs.is_known(s, CUFF), True),
    "a sitting, and written anew": (
        lambda s, at: sittings.keep(s, "mira", NOW, ["rested"], [], at),
        lambda s, at: sittings.keep(s, "mira", NOW, ["rested", "no coffee"], [], at),
        lambda s: [one.prepared for one in sittings.every(s, "mira")], [("rested", "no coffee")]),
    "a return begun, and its step": (
        lambda s, at: loans.begin_return(s, CUFF, at),
        lambda s, at: loans.note_check(s, loans.advance(s, open_loan(s), loans.Step.DOWNLOADED, at), "wiped", at),
        lambda s: (open_loan(s).step, set(open_loan(s).checks)), (loans.Step.DOWNLOADED, {"wiped"})),
}  # fmt: skip


@pytest.mark.parametrize("name", CASES)
def test_what_was_taken_back_under_the_right_clock_comes_back_from_no_store(name: str, tmp_path: Path) -> None:
    said, taken_back, look, left = CASES[name]
    with open_store(tmp_path / "a.db") as store, open_store(tmp_path / "b.db") as other:
        people.add(store, "mira", NOW - timedelta(days=9))
        with store.transaction():
            cuffs.row_of(store, CUFF)
        take_log(store, [intake.HandRow(NOW, Decimal(142), Decimal(91), None, None)], NOW)
        said(store, FAST)
        before = look(store)
        intake.merge(other, store.path)
        taken_back(store, NOW)
        assert look(store) == left != before
        for _ in range(2):
            intake.merge(other, store.path)
            intake.merge(store, other.path)
        assert (look(store), look(other)) == (left, left)


def test_what_was_merged_before_its_clock_was_put_right_is_moved(tmp_path: Path) -> None:
    wrong, right = datetime(1970, 1, 1, 0, 5, tzinfo=UTC), NOW
    with open_store(tmp_path / "upstairs.db") as upstairs, open_store(tmp_path / "all.db") as store:
        stations.unsure_clock(upstairs, "boot", 0.0)
        value = build_measurement(measurement(128, 81, 97))
        sent = journal.append(
            upstairs, cuff=CUFF, characteristic=0x2A35, value=value, arrived_at=wrong, source="virtual"
        )
        intake.interpret(upstairs, sent.payload)
        intake.merge(store, upstairs.path)
        stations.clock_known(upstairs, "boot", (right - wrong).total_seconds())
        intake.catch_up(upstairs)
        intake.merge(store, upstairs.path)
        assert [one.taken_at for one in readings.select(store)] == [right]
        intake.merge(store, upstairs.path)
        assert derivation.cuffs_to_redo(store) == []

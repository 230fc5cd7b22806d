"""Whose a correction is: the same person's as what it corrects, whenever and wherever that is said."""

from collections.abc import Callable, Iterator
from datetime import datetime, timedelta
from decimal import Decimal
from pathlib import Path

import pytest
from two_people import AT, CUFF, NOW, two_people

from collector.intake import erase_person, giving, merge, pipeline, rebuild
from collector.intake.correction import Correction, correct_reading, take_back_correction
from collector.intake.sources.hand_log import HandRow
from collector.intake.take_log import take_log
from collector.store import people, readings, upkeep
from collector.store.database import Store
from collector.store.instants import to_us
from collector.store.journal import cuffs
from collector.store.opening import open_store
from collector.store.people import slot_spans, unions
from collector.store.readings import claims, strikes, unsettled, write
from collector.store.readings.unsettled import Settled
from collector.store.values import VOID_MARKS, WRITTEN_TWICE, Reading

RIGHT = Correction(systolic=Decimal(148))


@pytest.fixture
def store(tmp_path: Path) -> Iterator[Store]:
    with two_people(tmp_path) as store:
        yield store


def first(store: Store) -> Reading:
    return next(one for one in readings.select(store) if one.cuff == CUFF)


def correct(store: Store, reading: Reading | None = None, said: Correction = RIGHT) -> Reading:
    found = correct_reading(store, (reading or first(store)).reading_id, said, NOW)
    return readings.get(store, found)


def whose(store: Store) -> set[str | None]:
    """The same after all is derived anew."""
    before = list(readings.select(store))
    rebuild(store)
    assert list(readings.select(store)) == before
    return {one.person for one in before}


def give_slot(store: Store, person: str, **when: datetime) -> None:
    slot_spans.add(store, person, CUFF, 1, NOW, **when)
    pipeline.reassign(store, cuff=CUFF)


def take_slot(store: Store) -> None:
    for span in slot_spans.every(store, cuff=CUFF):
        slot_spans.remove(store, span.row, NOW)
    pipeline.reassign(store, cuff=CUFF)


@pytest.mark.parametrize(
    ("said", "person"),
    [
        (lambda store: give_slot(store, "bob"), "bob"),
        (lambda store: giving.give(store, first(store).reading_id, "bob", NOW), "bob"),
        (lambda store: giving.make_nobodys(store, first(store).reading_id, NOW), None),
    ],
    ids=["slot", "claim", "release"],
)
@pytest.mark.parametrize("before", [None, "ada"])
def test_it_follows_what_it_corrects(
    store: Store, before: str | None, said: Callable[[Store], None], person: str | None
) -> None:
    if before:
        give_slot(store, before)
    twice = correct(store, correct(store), Correction(pulse=Decimal(64)))
    assert twice.person == before
    if before:
        take_slot(store)
        assert whose(store) == {None}
    said(store)
    assert whose(store) == {person}


def test_whose_it_is_is_said_of_what_it_corrects(store: Store) -> None:
    """Taken back, the correction leaves the reading with whom it was given to."""
    give_slot(store, "ada")
    instead = correct(store)
    giving.give(store, instead.reading_id[:8], "bob", NOW)
    assert whose(store) == {"bob"}
    giving.make_nobodys(store, instead.reading_id, NOW)
    assert whose(store) == {None}
    giving.leave_to_slot(store, instead.reading_id, NOW)
    assert whose(store) == {"ada"}


@pytest.mark.parametrize("slot", [True, False])
def test_what_an_earlier_quietcuff_was_told_of_the_correction_alone_holds_for_both(store: Store, slot: bool) -> None:
    if slot:
        give_slot(store, "ada")
    else:
        giving.give(store, first(store).reading_id, "ada", NOW - timedelta(hours=1))
    claims.claim(store, correct(store).reading_id, "bob", NOW)
    rebuild(store)
    assert whose(store) == {"bob"}
    giving.give(store, first(store).reading_id, "ada", NOW + timedelta(hours=1))
    assert whose(store) == {"ada"}


def test_two_people_who_are_one_keep_both(store: Store) -> None:
    give_slot(store, "ada")
    correct(store)
    unions.unite(store, "bob", "ada", NOW)
    pipeline.reassign(store)
    assert whose(store) == {"bob"}


def test_corrected_at_one_station_and_given_at_another(store: Store, tmp_path: Path) -> None:
    with open_store(tmp_path / "other.db") as other:
        merge(other, store.path)
        correct(other)
        give_slot(store, "bob")
        merge(store, other.path)
        assert whose(store) == {"bob"}
        merge(other, store.path)
        assert whose(other) == {"bob"}


@pytest.mark.parametrize("loan", [False, True])
def test_nothing_of_it_is_left_of_who_is_erased(store: Store, loan: bool) -> None:
    """Corrected before anybody said whose the cuff is, or set aside, as its time may not be of the loan."""
    correct(store, correct(store), Correction(pulse=Decimal(64)))
    if loan:
        slot_spans.add(store, "bob", CUFF, slot_spans.ANY_SLOT, NOW, since=AT - timedelta(seconds=1), strict=True)
        pipeline.reassign(store)
        assert {one.person for one in readings.select(store)} == {None}
    else:
        give_slot(store, "bob")
    erased = erase_person(store, "bob")
    assert list(readings.select(store)) == []
    assert (erased.left, erased.erasure.payloads) == ((), 3)


def test_what_is_nobodys_is_not_taken_for_somebodys_line(store: Store) -> None:
    """It would go back to nobody, and the line with it."""
    correct(store)
    line = HandRow(AT, Decimal(148), Decimal(81), person="ada")
    assert take_log(store, [line], NOW + timedelta(minutes=1)).new == 1
    assert take_log(store, [line], NOW + timedelta(minutes=1)).new == 0
    assert sorted(str(one.person) for one in readings.select(store)) == ["None", "None", "ada"]
    give_slot(store, "ada")
    counted = [one for one in readings.select(store) if not {"corrected", WRITTEN_TWICE}.intersection(one.marks)]
    assert len(counted) == 1
    assert whose(store) == {"ada"}


def test_it_follows_what_a_clock_moves_to_another(store: Store) -> None:
    correct(store)
    cuff, row = cuffs.row_of(store, CUFF), write.row_of(store, first(store).reading_id)
    bob = people.need(store, "bob").row
    with store.transaction():
        unsettled.settle(store, cuff, Settled(to_us(AT), times=(), owners=[(row or 0, bob, None)], checks=None))
    assert {one.person for one in readings.select(store)} == {"bob"}


def test_struck_out_it_goes_on_following(store: Store) -> None:
    strikes.strike(store, correct(store).reading_id, NOW)
    give_slot(store, "bob")
    assert whose(store) == {"bob"}


def test_two_stores_that_work_it_out_say_it_alike(store: Store, tmp_path: Path) -> None:
    """Seen by playing merges in any order: each had a claim of its own making for one and the same."""
    correct(store)
    upkeep.backup_to(store, tmp_path / "other.db")
    with open_store(tmp_path / "other.db") as other:
        give_slot(store, "ada")
        give_slot(other, "ada")
        said = [one.query("SELECT uid, payload_uid, changed_at FROM claim").fetchall() for one in (store, other)]
    assert said[0] == said[1] != []


def test_a_line_that_says_what_a_correction_said_counts_once_that_is_taken_back(store: Store) -> None:
    """Seen: it counted nowhere, as the second writing of what counts no longer."""
    give_slot(store, "ada")
    correct(store)
    take_log(store, [HandRow(AT, Decimal(148), Decimal(81), person="ada")], NOW + timedelta(days=1))

    def counted() -> list[str]:
        before = [one for one in readings.select(store) if not VOID_MARKS.intersection(one.marks)]
        rebuild(store)
        assert before == [one for one in readings.select(store) if not VOID_MARKS.intersection(one.marks)]
        return ["correction" if one.note else "line" for one in before if one.cuff == cuffs.HAND]

    assert counted() == ["correction"]
    take_back_correction(store, first(store).reading_id, NOW + timedelta(days=2))
    assert counted() == ["line"]

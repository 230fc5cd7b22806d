"""Readings whose stamps are equal stand in the order in which they came, in every store and wherever 'the newest' is
asked: a cuff's stamp tells no less than a second, a written log's no less than a minute."""

from datetime import UTC, datetime, timedelta
from decimal import Decimal
from pathlib import Path
from typing import Any

import pytest

from collector import intake
from collector.intake.take_log import take_log
from collector.store import Store, open_store, outbox, people, readings, receivers
from collector.store.people import slot_spans
from collector.store.readings import strikes
from collector.store.values import Selection
from parsers.measurement import build_measurement, measurement

AT = datetime(2026, 3, 9, 7, 0, tzinfo=UTC)
PRESSURES = [141, 128, 150, 133, 147, 122, 139]


def shown(store: Store, **wanted: Any) -> list[int]:
    return [int(one.systolic) for one in readings.select(store, Selection(**wanted)) if one.systolic]


@pytest.fixture
def sent(bench: Any) -> Store:
    """All within one second of the cuff's clock, two seconds apart by ours."""
    people.add(bench.store, "mira", AT)
    slot_spans.add(bench.store, "mira", *_cuff(bench), 1, AT - timedelta(days=1))
    visit = bench.visit(AT, clock=AT.replace(tzinfo=None))
    for number, systolic in enumerate(PRESSURES):
        value = build_measurement(measurement(systolic, 80, stamp=AT.replace(tzinfo=None), user_id=1))
        bench.bring(value, AT + timedelta(seconds=2 * number), visit)
    bench.end(visit, AT + timedelta(seconds=30))
    return bench.store


def _cuff(bench: Any) -> tuple[str]:
    with bench.store.transaction():
        bench.store.query("INSERT OR IGNORE INTO cuff (address) VALUES (?)", (bench.cuff,))
    return (bench.cuff,)


def check(store: Store) -> None:
    assert shown(store) == PRESSURES
    for last in range(1, len(PRESSURES)):
        assert shown(store, last=last) == PRESSURES[-last:]
        assert shown(store, last=last, person="mira") == PRESSURES[-last:]


def test_of_one_second(sent: Store) -> None:
    assert len({one.taken_at for one in readings.select(sent)}) == 1
    check(sent)
    (newest,) = readings.newest_by_slot(sent, readings.get(sent, next(readings.select(sent)).reading_id).cuff)
    assert newest.systolic == PRESSURES[-1]


def test_in_a_merged_store_and_a_rebuilt_one(sent: Store, tmp_path: Path) -> None:
    with open_store(tmp_path / "all.db") as other:
        people.add(other, "rui", AT)
        take_log(other, [intake.HandRow(AT - timedelta(days=1), Decimal(111), Decimal(70), None, "rui")], AT)
        intake.merge(other, sent.path)
        assert shown(other)[1:] == PRESSURES
        intake.rebuild(other)
        assert shown(other, person="mira") == PRESSURES


def test_of_one_minute_of_a_log(tmp_path: Path) -> None:
    with open_store(tmp_path / "log.db") as store:
        people.add(store, "mira", AT)
        take_log(store, [intake.HandRow(AT, Decimal(one), Decimal(80), None, "mira") for one in PRESSURES], AT)
        check(store)


def test_what_a_receiver_is_shown_as_the_newest(sent: Store) -> None:
    row = receivers.enlist(sent, "clinic", AT)
    outbox.settled(sent, row, [(one, b"sent") for one in outbox.next_batch(sent, row, 50, AT)], AT)
    (newest,) = outbox.newest_sent(sent, row)
    assert readings.get(sent, newest).systolic == PRESSURES[-1]
    strikes.strike(sent, newest, AT)
    (newest,) = outbox.newest_sent(sent, row)
    assert readings.get(sent, newest).systolic == PRESSURES[-2]

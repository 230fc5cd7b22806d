"""When a correction was taken: when what it corrects was, wherever a clock that is put right moves that."""

from collections.abc import Iterator
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from decimal import Decimal
from pathlib import Path

import pytest

from collector.intake import catch_up, interpret, merge, rebuild
from collector.intake.correction import Correction, correct_reading
from collector.store import journal, readings
from collector.store.database import Store
from collector.store.instants import to_us
from collector.store.journal import cuffs, stations
from collector.store.opening import open_store
from collector.store.readings import unsettled, write
from collector.store.readings.times import Time
from collector.store.readings.unsettled import Settled
from collector.store.values import Basis
from parsers.measurement import build_measurement, measurement

WRONG = datetime(1970, 1, 1, 0, 5, tzinfo=UTC)
RIGHT = datetime(2030, 3, 17, 17, 51, 40, tzinfo=UTC)
SAID = Correction(systolic=Decimal(148))


@pytest.fixture
def store(tmp_path: Path) -> Iterator[Store]:
    """On a machine that has started in 1970."""
    with open_store(tmp_path / "store.db") as store:
        stations.unsure_clock(store, "boot", 0.0)
        value = build_measurement(measurement(128, 81, 97))
        sent = journal.append(
            store, cuff="C0:FF:EE:00:00:01", characteristic=0x2A35, value=value, arrived_at=WRONG, source="virtual"
        )
        interpret(store, sent.payload)
        yield store


def clock_put_right(store: Store) -> None:
    stations.clock_known(store, "boot", (RIGHT - WRONG).total_seconds())
    catch_up(store)


def taken(store: Store) -> set[datetime]:
    """The same after all is derived anew, and told of no move then."""
    before = list(readings.select(store))
    moves = [len(readings.retimings(store, one.reading_id)) for one in before]
    rebuild(store)
    assert list(readings.select(store)) == before
    assert [len(readings.retimings(store, one.reading_id)) for one in before] == moves
    return {one.taken_at for one in before}


def correct(store: Store, said: Correction = SAID) -> str:
    newest = max(readings.select(store), key=lambda one: one.received_at)
    return correct_reading(store, newest.reading_id, said, WRONG + timedelta(minutes=1))


def test_it_is_moved_with_what_it_corrects(store: Store, tmp_path: Path) -> None:
    correct(store)
    correct(store, Correction(pulse=Decimal(64)))
    assert taken(store) == {WRONG}
    with open_store(tmp_path / "other.db") as other:
        merge(other, store.path)
        clock_put_right(store)
        assert taken(store) == {RIGHT}
        merge(other, store.path)
        assert taken(other) == {RIGHT}
    assert {one.taken_basis for one in readings.select(store)} == {Basis.ARRIVAL, Basis.HAND}


def test_a_time_that_somebody_put_right_stays(store: Store) -> None:
    said = WRONG - timedelta(minutes=3)
    correct(store, replace(SAID, taken_at=said))
    clock_put_right(store)
    assert taken(store) == {said, RIGHT}


def test_it_is_moved_at_the_end_of_the_visit_that_tells_the_cuffs_clock(store: Store) -> None:
    instead = correct(store)
    (first,) = (one for one in readings.select(store) if one.cuff != "hand")
    row = write.row_of(store, first.reading_id) or 0
    moved = Time(to_us(RIGHT), Basis.CORRECTED, 1.0, ())
    with store.transaction():
        settled = Settled(to_us(WRONG), times=[(row, moved)], owners=(), checks=None)
        unsettled.settle(store, cuffs.row_of(store, first.cuff), settled)
    assert readings.get(store, instead).taken_at == RIGHT
    correct_reading(store, instead, Correction(pulse=Decimal(64)), RIGHT)  # and is not moved back with what comes next
    assert readings.get(store, instead).taken_at == RIGHT

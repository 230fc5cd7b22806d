"""A station whose clock was wrong at boot: what it wrote is marked, and put right once the time is known."""

from datetime import UTC, datetime, timedelta
from typing import Any

from collector import intake
from collector.intake.time.candidates import STATION_UNSURE
from collector.store import Basis, Store, readings
from collector.store.journal import stations
from parsers.measurement import build_measurement, measurement

NOON = datetime(2026, 3, 9, 12, 0, tzinfo=UTC)
EPOCH = datetime(1970, 1, 1, tzinfo=UTC)
BOOT = "0b6b3c0e-invented-boot"


class Pi:
    """A board without a clock of its own: it boots, thinks it is 1970, and learns the time some time later."""

    def __init__(self, store: Store, booted: datetime, boot: str = BOOT) -> None:
        self.store, self.booted, self.boot = store, booted, boot
        stations.unsure_clock(store, boot, 0.0)

    def shows(self, now: datetime) -> datetime:
        """What its clock says while it is wrong: time since boot, counted from 1970."""
        return EPOCH + (now - self.booted)

    def learns_the_time(self) -> int:
        return stations.clock_known(self.store, self.boot, (self.booted - EPOCH).total_seconds())


def value(at: datetime | None, systolic: int = 128) -> bytes:
    stamp = None if at is None else (at + timedelta(hours=1)).replace(tzinfo=None)
    return build_measurement(measurement(systolic, 80, stamp=stamp))


def test_arrivals_of_1970_are_marked_and_then_put_right(bench: Any) -> None:
    pi = Pi(bench.store, booted=NOON)
    at = NOON + timedelta(minutes=3)
    bench.bring(value(None), pi.shows(at))
    (reading,) = readings.select(bench.store)
    assert STATION_UNSURE in reading.marks
    assert reading.taken_uncertainty_s is None
    assert pi.learns_the_time() == 1
    intake.catch_up(bench.store)
    (reading,) = readings.select(bench.store)
    assert (reading.taken_at, reading.received_at) == (at, at)
    assert STATION_UNSURE not in reading.marks
    assert pi.learns_the_time() == 0
    bench.bring(value(None, 130), NOON + timedelta(hours=1))
    assert [r.received_at.year for r in readings.select(bench.store)] == [2026, 2026]


def test_a_look_at_the_cuffs_clock_counts_only_once_ours_is_known(bench: Any) -> None:
    pi = Pi(bench.store, booted=NOON)
    at = NOON + timedelta(minutes=3)
    # The cuff is ten minutes slow; ours says 1970.
    slow = (at + timedelta(hours=1) - timedelta(minutes=10)).replace(tzinfo=None)
    visit = bench.visit(pi.shows(at), clock=slow)
    taken = at - timedelta(minutes=30)
    bench.bring(value(taken - timedelta(minutes=10)), pi.shows(at + timedelta(seconds=2)), visit)
    bench.end(visit, pi.shows(at + timedelta(seconds=4)))
    (reading,) = readings.select(bench.store)
    assert reading.taken_basis is not Basis.CORRECTED
    assert STATION_UNSURE in reading.marks
    pi.learns_the_time()
    intake.catch_up(bench.store)
    (reading,) = readings.select(bench.store)
    assert (reading.taken_basis, reading.taken_at) == (Basis.CORRECTED, taken)
    assert len(readings.retimings(bench.store, reading.reading_id)) == 1


def test_a_boot_that_never_learned_the_time_comes_after_what_was_known(bench: Any) -> None:
    bench.bring(value(None, 120), NOON - timedelta(days=1))
    pi = Pi(bench.store, booted=NOON)
    bench.bring(value(None, 121), pi.shows(NOON + timedelta(minutes=5)))
    bench.bring(value(None, 122), pi.shows(NOON + timedelta(minutes=6)))
    stations.clock_known(bench.store, "another boot", 1e9)
    bench.bring(value(None, 123), NOON + timedelta(days=1))
    found = list(readings.select(bench.store))
    assert [reading.systolic for reading in found] == [120, 121, 122, 123]
    assert [STATION_UNSURE in reading.marks for reading in found] == [False, True, True, False]
    assert found[1].received_at == NOON - timedelta(days=1) + timedelta(seconds=1)
    assert found[2].received_at - found[1].received_at == timedelta(minutes=1)
    intake.rebuild(bench.store)
    assert list(readings.select(bench.store)) == found


def test_a_listener_started_again_in_the_same_boot_goes_on_with_the_same_clock(bench: Any) -> None:
    pi = Pi(bench.store, booted=NOON)
    first = bench.store.clock_id
    again = Pi(bench.store, booted=NOON)
    assert bench.store.clock_id == first
    bench.bring(value(None), again.shows(NOON + timedelta(minutes=1)))
    assert pi.learns_the_time() == 1


def test_a_stamp_tells_the_time_while_the_station_cannot(bench: Any) -> None:
    pi = Pi(bench.store, booted=NOON)
    bench.bring(value(NOON), pi.shows(NOON + timedelta(minutes=1)))
    (reading,) = readings.select(bench.store)
    assert (reading.taken_at, reading.taken_basis) == (NOON, Basis.CUFF)
    assert STATION_UNSURE in reading.marks


def test_how_far_a_clock_was_off_is_what_it_stands_further_from_the_machines_start(bench: Any) -> None:
    stations.unsure_clock(bench.store, "boot", 1_000_000_000.4)  # a run of it is told by the whole second
    assert stations.clock_known(bench.store, "boot", 1_000_000_005.25) == 1
    assert [one.correction for one in stations.unsure_clocks(bench.store)] == [5_250_000]

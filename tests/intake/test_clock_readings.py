"""Where a cuff's clock stood beside ours, by the one function that everybody asks."""

from collections.abc import Callable
from datetime import UTC, datetime, timedelta
from typing import Any

from collector.intake.time.clock_readings import clock_ahead_s
from collector.store.journal import stations, visits
from parsers.stamps import build_date_time
from parsers.uuids import Uuid

NOON = datetime(2031, 3, 4, 12, 0, tzinfo=UTC)
LATER = NOON + timedelta(hours=1)
WALL = NOON.replace(tzinfo=None)
FAST = WALL + timedelta(minutes=4)


def test_by_its_last_reading_in_the_zone_asked_for(make_bench: Callable[..., Any]) -> None:
    bench = make_bench("UTC")
    assert clock_ahead_s(bench.store, bench.cuff, "UTC") is None
    bench.visit(NOON - timedelta(days=1), clock=WALL)
    bench.visit(NOON, clock=FAST)
    assert clock_ahead_s(bench.store, bench.cuff, "UTC") == 240.0
    assert clock_ahead_s(bench.store, bench.cuff, "Asia/Kolkata") == 240.0 - 5.5 * 3600
    bench.visit(LATER, clock=datetime(9999, 1, 1))
    assert clock_ahead_s(bench.store, "F0:00:00:00:00:09", "UTC") is None


def test_a_clock_that_was_set_since_is_not_told_of_until_it_is_read_again(make_bench: Callable[..., Any]) -> None:
    bench = make_bench("UTC")
    visit = bench.visit(NOON, clock=FAST)
    at = NOON + timedelta(seconds=1)
    visits.learn_clock_set(bench.store, visit, Uuid.DATE_TIME, build_date_time(WALL), at, error=0x80)
    assert clock_ahead_s(bench.store, bench.cuff, "UTC") == 240.0, "refused: it stands as it stood"
    visits.learn_clock_set(bench.store, visit, Uuid.DATE_TIME, build_date_time(WALL), at)
    assert clock_ahead_s(bench.store, bench.cuff, "UTC") is None
    bench.visit(LATER, clock=LATER.replace(tzinfo=None))
    assert clock_ahead_s(bench.store, bench.cuff, "UTC") == 0.0
    assert clock_ahead_s(bench.store, bench.cuff, "UTC", since=NOON) == 240.0, "as it came"


def test_what_was_read_by_a_clock_of_ours_in_doubt_says_nothing(make_bench: Callable[..., Any]) -> None:
    bench = make_bench("UTC")
    stations.unsure_clock(bench.store, "boot", NOON.timestamp())
    bench.visit(NOON, clock=FAST)
    assert clock_ahead_s(bench.store, bench.cuff, "UTC") is None

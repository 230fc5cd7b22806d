"""The hours that zone rules make odd, journeys, clocks set with reservations, and times that a later visit betters.

Zone rules: IANA time zone database, Europe/Vienna 2026: clocks go back on 25 October at 01:00 UTC (03:00 becomes 02:00)
and forward on 29 March at 01:00 UTC (02:00 becomes 03:00).
"""

from datetime import UTC, datetime, timedelta
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from collector import intake
from collector.intake.time.candidates import BACKWARDS
from collector.intake.time.zones import AUTUMN, SPRING, odd_hour, zone_of
from collector.store import Basis, Reading, readings
from collector.store.instants import to_us
from collector.store.journal import stations, visits
from parsers.measurement import build_measurement, measurement
from parsers.stamps import build_current_time

BACK = datetime(2026, 10, 25, 1, 0, tzinfo=UTC)
FORWARD = datetime(2026, 3, 29, 1, 0, tzinfo=UTC)


@given(
    st.datetimes(datetime(1890, 1, 1), datetime(2210, 1, 1), timezones=st.just(UTC))
    | st.integers(-48 * 60, 48 * 60).map(lambda minutes: BACK + timedelta(minutes=minutes))
    | st.integers(-6 * 24, 6 * 24).map(lambda hours: datetime(1939, 9, 3, tzinfo=UTC) + timedelta(hours=hours)),
    st.sampled_from(
        ("UTC", "Europe/Vienna", "America/New_York", "Africa/Freetown", "Pacific/Apia", "Australia/Lord_Howe")
    ),
)
@settings(max_examples=400)
def test_an_odd_hour_is_found_whatever_the_day_is_known_for(at: datetime, zone: str) -> None:
    """The look at a day as a whole leaves out none: Freetown's clocks went there and back in four days, the fastest."""
    local = at.astimezone(zone_of(zone))
    twice = local.fold or local.replace(fold=1).utcoffset() != local.utcoffset()
    assert odd_hour(to_us(at), zone) == (AUTUMN if twice else None)


def payload(stamp: datetime, systolic: int = 128) -> bytes:
    return build_measurement(measurement(systolic, 80, stamp=stamp.replace(tzinfo=None)))


def only(bench: Any) -> Reading:
    (reading,) = readings.select(bench.store)
    return reading


def visited(bench: Any, at: datetime, shown: datetime | None, *values: bytes) -> None:
    visit = bench.visit(at, clock=shown)
    for value in values:
        bench.bring(value, at + timedelta(seconds=3), visit)
    bench.end(visit, at + timedelta(seconds=9))


@pytest.mark.parametrize("hour", [-1, 0])
def test_of_the_hour_that_comes_twice_the_clock_read_in_the_visit_knows_which(bench: Any, hour: int) -> None:
    """Half past two on the cuff, which moves its clock as people do: before the change, and an hour later again."""
    taken = BACK + timedelta(hours=hour, minutes=30)
    now = taken + timedelta(minutes=2)
    visited(bench, now, datetime(2026, 10, 25, 2, 32), payload(datetime(2026, 10, 25, 2, 30)))
    reading = only(bench)
    assert abs(reading.taken_at - taken) <= timedelta(seconds=2)
    assert reading.taken_at.utcoffset() == timedelta(hours=1 - hour)
    assert (reading.taken_basis, reading.marks) == (Basis.CORRECTED, (AUTUMN,))


@pytest.mark.parametrize(("arrives", "hour"), [(timedelta(minutes=-29), -1), (timedelta(hours=9), 0)])
def test_without_a_clock_the_hour_that_comes_twice_is_the_later_one_if_it_can_be(
    bench: Any, arrives: timedelta, hour: int
) -> None:
    bench.bring(payload(datetime(2026, 10, 25, 2, 30)), BACK + arrives)
    reading = only(bench)
    assert reading.taken_at.astimezone(UTC) == BACK + timedelta(hours=hour, minutes=30)
    assert reading.marks == (AUTUMN,)
    assert reading.taken_uncertainty_s is None


def test_a_wall_time_that_never_was_is_marked(bench: Any) -> None:
    bench.bring(payload(datetime(2026, 3, 29, 2, 30)), FORWARD + timedelta(hours=4))
    reading = only(bench)
    assert reading.marks == (SPRING,)
    assert abs(reading.taken_at - FORWARD) <= timedelta(hours=1)


def test_a_cuff_on_a_journey_is_read_by_the_clock_it_had(bench: Any) -> None:
    """Set to New York's time on the plane, six hours back; it keeps what was measured on both sides."""
    home = datetime(2026, 5, 4, 6, 0, tzinfo=UTC)
    visited(bench, home, home + timedelta(hours=2))
    before, after = home + timedelta(hours=13), home + timedelta(days=6)
    come = home + timedelta(days=8)
    stamps = [payload(before + timedelta(hours=2), 120), payload(after - timedelta(hours=4), 121)]
    visited(bench, come, come - timedelta(hours=4), *stamps)
    one, two = readings.select(bench.store)
    assert abs(two.taken_at - after) <= timedelta(seconds=2)
    # The first may be of either clock: what is given covers both, and says so.
    assert "clock changed" in one.marks
    assert one.taken_uncertainty_s is not None
    assert abs(one.taken_at - before).total_seconds() <= one.taken_uncertainty_s


def test_a_station_that_moves_reads_stamps_by_the_rules_of_where_it_was(bench: Any) -> None:
    stations.set_zone(bench.store, "America/New_York", datetime(2026, 6, 1, tzinfo=UTC))
    bench.bring(payload(datetime(2026, 5, 31, 8, 0), 120), datetime(2026, 5, 31, 20, 0, tzinfo=UTC))
    bench.bring(payload(datetime(2026, 6, 2, 8, 0), 121), datetime(2026, 6, 2, 20, 0, tzinfo=UTC))
    one, two = readings.select(bench.store)
    assert (one.taken_at.utcoffset(), two.taken_at.utcoffset()) == (timedelta(hours=2), timedelta(hours=-4))
    assert (one.taken_at.hour, two.taken_at.hour) == (8, 8)


@pytest.mark.parametrize("looked_after", [True, False])
@pytest.mark.parametrize(
    ("error", "shown_after"),
    [
        (None, timedelta(0)),
        (0x80, timedelta(0)),  # Current Time Service 1.1, 1.6: data field ignored; the time was taken all the same
        (0x80, timedelta(minutes=-40)),  # … or not
        (0x03, timedelta(minutes=-40)),  # write not permitted (Core Specification Vol 3 Part F 3.4.1.1)
    ],
)
def test_whatever_a_cuff_answers_to_its_clock_being_set_the_stamps_are_read_right(
    bench: Any, error: int | None, shown_after: timedelta, looked_after: bool
) -> None:
    """Forty minutes slow, set in the visit; what it showed afterwards counts, not the answer."""
    first, slow = datetime(2026, 5, 4, 6, 0, tzinfo=UTC), timedelta(hours=2, minutes=-40)
    visit = bench.visit(first, clock=first + slow)
    bench.bring(payload(first + slow - timedelta(hours=3), 120), first + timedelta(seconds=3), visit)
    set_at = first + timedelta(seconds=6)
    right = timedelta(hours=2)
    written = build_current_time((set_at + right).replace(tzinfo=None))
    visits.learn_clock_set(bench.store, visit, 0x2A2B, written, set_at, error=error)
    after = set_at + timedelta(seconds=1)
    shown = (after + right + shown_after).replace(tzinfo=None)
    if looked_after:
        visits.learn_value(bench.store, visit, 0x2A2B, build_current_time(shown), after, 0.1)
    bench.end(visit, first + timedelta(seconds=9))
    later = first + timedelta(days=2)
    taken = later - timedelta(hours=5)
    visited(bench, later, later + right + shown_after, payload(taken + right + shown_after, 121))
    one, two = readings.select(bench.store)
    for reading, truth in ((one, first - timedelta(hours=3)), (two, taken)):
        out, unsure = abs(reading.taken_at - truth).total_seconds(), reading.taken_uncertainty_s
        assert out <= 2 or ("clock changed" in reading.marks and (unsure is None or out <= unsure))
    if looked_after or error != 0x80:
        assert "clock changed" not in one.marks + two.marks


def test_a_later_visit_betters_an_earlier_reading_and_that_is_written_down(bench: Any) -> None:
    """The first visit broke off before the clock was read: the stamp stood as sent, twenty minutes out."""
    first = datetime(2026, 5, 4, 6, 0, tzinfo=UTC)
    ahead = timedelta(hours=2, minutes=20)
    taken = first - timedelta(minutes=40)
    visited(bench, first, None, payload(taken + ahead))
    assert (only(bench).taken_basis, only(bench).taken_uncertainty_s) == (Basis.CUFF, None)
    later = first + timedelta(days=1)
    visited(bench, later, later + ahead)
    reading = only(bench)
    assert reading.taken_basis is Basis.CORRECTED
    assert abs(reading.taken_at - taken) <= timedelta(seconds=2)
    ((when, before, after, was, now),) = readings.retimings(bench.store, reading.reading_id)
    assert (before, was) == (taken + timedelta(minutes=20), Basis.CUFF)
    assert (after, now) == (reading.taken_at, Basis.CORRECTED)
    assert when.tzinfo is not None
    intake.rebuild(bench.store)
    assert len(readings.retimings(bench.store, reading.reading_id)) == 1


def test_stamps_that_go_back_within_a_visit_tell_of_a_clock_set_back_unseen(bench: Any) -> None:
    """Three hours fast until somebody put it right before the last measurement: the first two are of a clock that
    nobody ever looked at. Their times are given, and marked, and with no uncertainty to rely upon."""
    now = datetime(2026, 5, 4, 18, 0, tzinfo=UTC)
    wall = now + timedelta(hours=2)
    stamps = [wall - timedelta(hours=6), wall - timedelta(hours=5), wall - timedelta(hours=7)]
    visited(bench, now, wall, *(payload(stamp, 120 + n) for n, stamp in enumerate(stamps)))
    marks = {int(one.systolic or 0): (one.marks, one.taken_uncertainty_s) for one in readings.select(bench.store)}
    assert marks[120] == marks[121] == ((BACKWARDS,), None)
    assert marks[122] == ((), None)


def test_newest_first_is_no_clock_set_back(bench: Any) -> None:
    now = datetime(2026, 5, 4, 18, 0, tzinfo=UTC)
    wall = now + timedelta(hours=2)
    visited(bench, now, wall, *(payload(wall - timedelta(hours=n), 120 + n) for n in range(1, 5)))
    assert [one.marks for one in readings.select(bench.store)] == [()] * 4


def test_three_records_must_agree_before_a_clock_that_cannot_be_read_is_believed(bench: Any) -> None:
    """Seven hours slow: two that came forty seconds after their stamp might both have come late by chance."""
    slow = timedelta(hours=-5)  # of local time, which is two hours ahead of UTC
    for day in range(3):
        at = datetime(2026, 5, 4 + day, 6, 0, tzinfo=UTC)
        visited(bench, at, None, payload(at - timedelta(seconds=40) + slow, 120 + day))
        bases = {one.taken_basis for one in readings.select(bench.store)}
        assert bases == {Basis.CUFF if day < 2 else Basis.ESTIMATED}
    for day, one in enumerate(readings.select(bench.store)):
        assert abs(one.taken_at - datetime(2026, 5, 4 + day, 5, 59, 20, tzinfo=UTC)) <= timedelta(seconds=60)

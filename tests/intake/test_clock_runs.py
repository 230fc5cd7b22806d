"""Which run of a cuff's clock a stamp belongs to, by clock readings that are written down here."""

from dataclasses import replace
from math import inf

import pytest

from collector.intake.time import candidates
from collector.intake.time.candidates import CLOCK_CHANGED, NO_CLOCK
from collector.intake.time.clock_readings import ClockReading
from collector.intake.time.clock_runs import REACH_BACK, ClockLine, changed
from collector.intake.time.live_records import Newest, readings_of_live_records
from collector.intake.time.place import _time as timed
from collector.store.instants import DAY, SECOND
from collector.store.readings.times import Placeable, Time
from collector.store.values import Basis

BEGIN = 1_900_000_000 * SECOND
HOUR = 3600 * SECOND
MINUTE = 60 * SECOND


def at(day: float, ahead: int, visit: int, was_set: bool = False) -> ClockReading:
    """Read on a day; the cuff's clock then so far ahead of ours, microseconds."""
    at = BEGIN + round(day * DAY)
    return ClockReading(at=at, shown=at + ahead, doubt=0.5, visit=visit, was_set=was_set)


def stamped(day: float, ahead: int, came: float, visit: int) -> Placeable:
    """A record taken on a day while the clock was so far ahead, that came on another."""
    received = BEGIN + round(came * DAY)
    return Placeable(
        row=1,
        reading_id="",
        slot=None,
        stamp=BEGIN + round(day * DAY) + ahead,
        clock="wall",
        received=received,
        visit=visit,
        zone="UTC",
        clock_id=None,
        time=Time(received, Basis.ARRIVAL, None, ()),
    )


def place(reading: Placeable, line: ClockLine, run: int = 0) -> Time:
    return candidates.place(reading, line, sure=True, run=run)


TWO_RUNS = [at(0, 0, 1), at(1, 0, 2), at(2, 0, 3), at(3, 5 * HOUR, 4), at(4, 5 * HOUR, 5)]
"""Right for two days, then five hours ahead."""


def test_runs_are_cut_where_the_clock_was_changed() -> None:
    line = ClockLine(TWO_RUNS)
    assert [(run.first, run.last) for run in line.runs] == [(0, 2), (3, 4)]
    assert line.run_of == [0, 0, 0, 1, 1]


@pytest.mark.parametrize(("day", "ahead"), [(0.5, 0), (1.5, 0), (3.5, 5 * HOUR)])
def test_a_stamp_is_read_on_the_run_that_it_was_given_on(day: float, ahead: int) -> None:
    """All came in the last visit, the clock being ahead by then."""
    time = place(stamped(day, ahead, 4, 5), ClockLine(TWO_RUNS))
    assert abs(time.taken_at - (BEGIN + round(day * DAY))) <= 2 * SECOND


def test_between_the_last_look_before_a_change_and_the_first_after_it_may_be_either() -> None:
    time = place(stamped(2.5, 0, 3, 4), ClockLine(TWO_RUNS))
    assert CLOCK_CHANGED in time.marks
    assert time.uncertainty_s is not None
    assert 5 * 3600 <= time.uncertainty_s <= 5 * 3600 + 60, "as far as the two runs are apart"


def test_a_record_that_came_before_the_clock_was_set_is_read_on_the_clock_before() -> None:
    """The same visit: the record came, then the clock, five hours ahead since yesterday, was put right."""
    line = ClockLine([at(0, 5 * HOUR, 1), at(1, 5 * HOUR, 2), at(2.0001, 0, 3, was_set=True)])
    assert line.run_of == [0, 0, 1]
    time = place(stamped(1.9, 5 * HOUR, 2, 3), line)
    assert abs(time.taken_at - (BEGIN + round(1.9 * DAY))) <= 2 * SECOND
    assert NO_CLOCK not in time.marks


def test_a_stamp_that_no_run_can_have_given_is_timed_by_its_arrival() -> None:
    time = place(stamped(30, 0, 4, 5), ClockLine(TWO_RUNS))
    assert time.marks == (NO_CLOCK,)
    assert time.taken_at == BEGIN + 4 * DAY


@pytest.mark.parametrize(
    ("moved_s", "was_set", "is_change"),
    [(1, True, False), (1.1, True, True), (10.5, False, False), (10.8, False, True), (-10.8, False, True)],
)
def test_how_far_a_clock_may_move_by_itself(moved_s: float, was_set: bool, is_change: bool) -> None:
    """Over a day: 8.64 s of drift, a second of both doubts, a second of rounding; after it was set, a second."""
    after = at(1, round(moved_s * SECOND), 2, was_set)
    assert changed(at(0, 0, 1), after) is is_change


@pytest.mark.parametrize(("moved", "is_change"), [(2 * SECOND, False), (2 * SECOND + 1, True)])
def test_a_clock_may_move_by_all_that_can_be_told_and_no_more(moved: int, is_change: bool) -> None:
    """At one instant there is no drift: a second of both readings' doubt, a second of rounding, to the microsecond."""
    assert changed(at(0, 0, 1), at(0, moved, 2)) is is_change
    assert changed(at(0, 0, 1), at(0, SECOND + moved - 2 * SECOND, 2, was_set=True)) is is_change


@pytest.mark.parametrize(("passed_s", "gained"), [(60_000, 1.0), (59_999, 0.0)])
def test_a_pace_is_used_from_readings_far_enough_apart(passed_s: int, gained: float) -> None:
    """Their doubts, 0.6 s together, are ten millionths of 60,000 s; the clock lost a second in that time."""
    readings = [at(0, 0, 1), at(passed_s / 86_400, -SECOND, 2)]
    line = ClockLine([replace(one, doubt=0.3) for one in readings])
    seen = line.at_arrival(BEGIN + (2 * passed_s + 10) * SECOND, 3)
    stamp = BEGIN + 2 * passed_s * SECOND - SECOND  # as long again after the second reading
    later = line.project(stamp, 0, 1, seen).at - (stamp + SECOND)
    assert later / SECOND == pytest.approx(gained, abs=1e-4)


def test_the_visits_before_are_the_last_two_that_read_the_clock() -> None:
    line = ClockLine([at(0, 0, 1), at(1, 0, 2), at(1.1, 0, 2), at(2, 0, 3)])
    day = [BEGIN + round(number * DAY) for number in (0, 1.1, 2)]
    seen = line.at_arrival(BEGIN + 3 * DAY, 3)  # in the visit of the last reading, which is none before it
    assert (seen.last_visit, seen.floor) == (day[1], day[0])
    seen = line.at_arrival(BEGIN + 3 * DAY, 4)
    assert (seen.last_visit, seen.floor) == (day[2], day[1])
    alone = ClockLine([at(0, 0, 1), at(2, 0, 2)])
    seen = alone.at_arrival(BEGIN + 3 * DAY, 2)
    assert (seen.last_visit, seen.floor) == (day[0], day[0] - 400 * DAY)
    assert alone.at_arrival(BEGIN + DAY, 1)[-2:] == (-inf, -inf)


def test_a_visit_that_broke_off_tells_nothing_of_what_is_still_to_come() -> None:
    """What was taken before it may come afterwards for the first time; where no visit was whole, any tells."""
    broke = [replace(at(day, 0, visit), whole=False) for day, visit in ((2, 3), (2.1, 4))]
    seen = ClockLine([at(0, 0, 1), at(1, 0, 2), *broke, at(3, 0, 5)]).at_arrival(BEGIN + 3 * DAY, 5)
    assert (seen.last_visit, seen.floor) == (BEGIN + DAY, BEGIN)
    seen = ClockLine(broke).at_arrival(BEGIN + 3 * DAY, 5)
    assert (seen.last_visit, seen.floor) == (broke[1].at, broke[0].at)


@pytest.mark.parametrize(("own_readings", "found"), [(REACH_BACK - 1, True), (REACH_BACK, False)])
def test_visits_before_are_looked_for_so_far_back_and_no_farther(own_readings: int, found: bool) -> None:
    readings = [at(0, 0, 1), *(at(1 + number / 1000, 0, 2) for number in range(own_readings))]
    seen = ClockLine(readings).at_arrival(BEGIN + 2 * DAY, 2)
    assert (seen.last_visit == BEGIN) is found


@pytest.mark.parametrize(("run", "day"), [(0, 2.5 - 5 / 24), (1, 2.5)])
def test_of_two_runs_a_stamp_before_others_go_back_is_of_the_earlier(run: int, day: float) -> None:
    """Between those beside a change it may be of either: the later, unless the visit's stamps go back after it."""
    time = place(stamped(2.5, 0, 3, 4), ClockLine(TWO_RUNS), run)
    assert time.taken_at == BEGIN + round(day * DAY)
    assert time.marks == (CLOCK_CHANGED,)


@pytest.mark.parametrize(
    ("day", "ahead", "came", "sure"),
    [(0.5, 0, 1, True), (1.5, 0, 2, False), (3.5, 5 * HOUR, 4, False), (4.5, 5 * HOUR, 5, True)],
)
def test_live_records_vouch_for_no_time_between_the_last_two_before_a_change_nor_the_first_two_after_it(
    day: float, ahead: int, came: float, sure: bool
) -> None:
    clock_readings = [at(each, 5 * HOUR if each > 2 else 0, each + 1) for each in range(6)]
    line = ClockLine([replace(one, live=True) for one in clock_readings])
    assert (place(stamped(day, ahead, came, int(came) + 1), line).uncertainty_s is not None) is sure


@pytest.mark.parametrize(("late_s", "clock_readings"), [(-1, 0), (0, 2), (45, 2), (46, 0)])
def test_two_live_records_suffice_where_the_clock_shows_local_time(late_s: int, clock_readings: int) -> None:
    """An hour ahead of UTC; so many seconds from the stamp to the arrival by the local clock."""
    visits = [
        Newest(number, at, at + HOUR - late_s * SECOND, -HOUR) for number, at in enumerate((BEGIN, BEGIN + DAY), 1)
    ]
    assert len(readings_of_live_records(visits)) == clock_readings


@pytest.mark.parametrize(("ahead_s", "basis"), [(22, Basis.CUFF), (-22, Basis.CUFF), (23, Basis.ESTIMATED)])
def test_stamps_are_local_time_where_live_records_put_the_clock_near_it(ahead_s: int, basis: Basis) -> None:
    clock_readings = [replace(at(day, ahead_s * SECOND, day + 1), live=True) for day in range(4)]
    time = timed(stamped(1.5, ahead_s * SECOND, 2, 3), ClockLine(clock_readings), False, sure=True, run=0)
    assert time.basis == basis
    assert (time.taken_at - BEGIN - 1.5 * DAY) / SECOND == (ahead_s if basis == Basis.CUFF else 0)


def test_two_equal_stamps_do_not_go_back() -> None:
    """As of a reading that is sent again; the one after them does."""
    assert candidates.runs_within_visits([(1, 2, 40), (1, 2, 40), (1, 2, 30), (1, 2, 31)]) == [1, 1, 0, 0]


def test_no_record_was_taken_after_it_came() -> None:
    """The cuff's clock is a little further ahead than it was when it was looked at."""
    line = ClockLine([at(0, 0, 1), at(1, 0, 2)])
    time = place(stamped(1, 2 * SECOND, 1, 2), line)
    assert (time.taken_at, time.basis) == (BEGIN + DAY, Basis.CORRECTED)

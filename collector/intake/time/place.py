"""Step three of intake: when each reading was taken. Fetches what deciding it needs; writes nothing."""

from bisect import bisect_left
from collections.abc import Sequence
from dataclasses import dataclass
from typing import NamedTuple, Protocol

from collector.intake.sources.own_export import CLOCK as IMPORTED
from collector.intake.time import clock_runs
from collector.intake.time.arrival_times import ArrivalTimes
from collector.intake.time.candidates import STATION_UNSURE, place, runs_within_visits
from collector.intake.time.clock_readings import VALUES_A_VISIT, ClockReading, usable_clock_readings
from collector.intake.time.clock_runs import ClockLine
from collector.intake.time.live_records import NEIGHBOURS, Newest, newest, readings_of_live_records
from collector.intake.time.zones import SPRING, local_offset, odd_hour, utc_of_local
from collector.store.instants import EVER, SECOND
from collector.store.journal.visit_facts import ClockValue
from collector.store.readings.times import AS_WAS, HAND_CLOCK, Placeable, Time
from collector.store.values import Basis

FUTURE = "stamp in the future"
"""It came before its stamp: the cuff's clock is ahead, nobody knows since when."""


class Placed(NamedTuple):
    """A reading whose time was set anew."""

    reading: Placeable
    time: Time


class Readings(Protocol):
    """A cuff's readings, wherever they are: in the store, or in hand while all of them are derived anew."""

    def placeable(self, since: int) -> Sequence[Placeable]:
        """Those first received since then, and in the visit that was going on; in order of arrival."""

    def stamped_around(self, clock: str, start: int, before: int) -> Sequence[Placeable]:
        """Those with a usable stamp of that clock received since `start`, and the last so many before; newest first."""


@dataclass(frozen=True, slots=True)
class InHand:
    """All readings of a cuff, in order of arrival; all of them are wanted."""

    readings: Sequence[Placeable]

    def placeable(self, since: int) -> Sequence[Placeable]:
        return self.readings

    def stamped_around(self, clock: str, start: int, before: int) -> Sequence[Placeable]:
        return [one for one in reversed(self.readings) if one.clock == clock and one.stamp is not None]


_REACH = clock_runs.REACH_AHEAD + NEIGHBOURS + 3
_WANTED = _REACH + clock_runs.REACH_BACK
VALUES_BEFORE = VALUES_A_VISIT * _WANTED
"""So many values of a cuff's clock from before what is new may bear on the same readings."""


def place_since(
    values: Sequence[ClockValue], readings: Readings, arrived: ArrivalTimes, start: int
) -> tuple[list[Placed], int]:
    """Place all readings of a cuff that anything of since `start` (microseconds UTC) may bear on.

    values: of the cuff's clock, all since `start` and VALUES_BEFORE more. Returns those that moved, and since when
    (arrival, microseconds UTC) readings were looked at.
    """
    clock_readings = usable_clock_readings(values, arrived)
    by_clock = {"wall": clock_readings or _lively(readings, "wall", arrived, start)}
    if base := _lively(readings, "base", arrived, start):
        by_clock["base"] = base
    # Where no clock reading bears on anything, only the visit's own order of stamps does.
    since = min((_horizon(found, start) for found in by_clock.values() if found), default=start)
    rows = readings.placeable(since)
    lines = {clock: ClockLine(found) for clock, found in by_clock.items()}
    return _place(rows, lines, arrived, bool(clock_readings)), min([since, *(row.received for row in rows[:1])])


VALUES_FOR_ONE = VALUES_A_VISIT * 4


def place_one(values: Sequence[ClockValue], reading: Placeable, arrived: ArrivalTimes) -> Time:
    """Place a reading that has just come, for the time being: the end of its visit will tell more.

    values: of the cuff's clock, all since it came and VALUES_FOR_ONE more.
    """
    read = usable_clock_readings(values, arrived)
    moved = _place([reading], {"wall": ClockLine(read)} if read else {}, arrived, bool(read))
    return moved[0].time if moved else reading.time


def _horizon(clock_readings: Sequence[ClockReading], start: int) -> int:
    """Readings that arrived before this are out of reach of what is new since `start`."""
    earlier = bisect_left(clock_readings, start, key=lambda one: one.at)
    return clock_readings[earlier - _REACH].at if earlier >= _REACH else EVER


def _lively(readings: Readings, clock: str, arrived: ArrivalTimes, start: int) -> list[ClockReading]:
    """What live records tell of the clock: all since `start` and as many before it as may bear on the same readings."""
    limit = 2 * _WANTED
    while True:
        rows = readings.stamped_around(clock, start, limit)
        whole = sum(row.received < start for row in rows) < limit
        visits = newest(
            [
                Newest(_visit(row), row.received, row.stamp or 0, local_offset(row.received, row.zone))
                for row in rows
                if arrived.sure(row.clock_id)
            ]
        )
        # The oldest visit of an excerpt may lack records, and those after it lack neighbours.
        clock_readings = readings_of_live_records(visits, skip=0 if whole else NEIGHBOURS + 1)
        if whole or sum(one.at < start for one in clock_readings) >= _WANTED:
            return clock_readings
        limit *= 2


def _place(
    rows: Sequence[Placeable], lines: dict[str, ClockLine], arrived: ArrivalTimes, readable: bool
) -> list[Placed]:
    """Those that move."""
    runs = runs_within_visits([(_visit(row), row.slot, row.stamp) for row in rows])
    moved = []
    for row, run in zip(rows, runs, strict=True):
        clock = row.clock
        if clock == IMPORTED:
            continue
        sure = arrived.sure(row.clock_id)
        time = _time(row, lines.get(clock or ""), readable and clock == "wall", sure=sure, run=run)
        if not sure and time.basis != Basis.HAND:
            time = time._replace(marks=(*time.marks, STATION_UNSURE))
        if time != row.time:
            moved.append(Placed(row, time))
    return moved


_CLOSE = 22 * SECOND
"""How near to local time live records must put a clock for its stamps to be taken as they are. They may be half a
minute out themselves: together that stays within a minute."""


def _time(reading: Placeable, line: ClockLine | None, readable: bool, *, sure: bool, run: int) -> Time:
    if reading.stamp is None:
        return Time(reading.received, Basis.ARRIVAL, None, ())
    if reading.clock in (HAND_CLOCK, AS_WAS):
        moved = reading.clock == AS_WAS and reading.time.basis == Basis.HAND
        at = reading.time.taken_at if moved else reading.stamp
        return Time(at, Basis.HAND, None, _hours(at, reading.zone))
    if line is None or not line.clock_readings:
        return _as_sent(reading, sure)
    time = place(reading, line, sure=sure, run=run)
    if not readable and time.basis == Basis.CORRECTED:
        local, _ = utc_of_local(reading.stamp, reading.zone, reading.received)
        if abs(time.taken_at - local) <= _CLOSE and reading.clock == "wall":
            uncertainty = None if time.uncertainty_s is None else max(60.0, time.uncertainty_s)
            return Time(local, Basis.CUFF, uncertainty, (*time.marks, *_hours(local, reading.zone)))
        time = time._replace(basis=Basis.ESTIMATED)
    hours = _hours(time.taken_at, reading.zone)
    return time._replace(marks=(*time.marks, *hours)) if hours else time


def _as_sent(reading: Placeable, sure: bool) -> Time:
    """Nothing is known of the clock: local wall time is the best guess, and nobody can tell how good."""
    assert reading.stamp is not None
    at, mark = utc_of_local(reading.stamp, reading.zone, reading.received if sure else None)
    if sure and at > reading.received + 60 * SECOND:
        return Time(reading.received, Basis.ARRIVAL, None, (FUTURE,))
    return Time(at, Basis.CUFF, None, (mark,) if mark == SPRING else _hours(at, reading.zone))


def _hours(at: int, zone: str) -> tuple[str, ...]:
    mark = odd_hour(at, zone)
    return (mark,) if mark else ()


def _visit(row: Placeable) -> int:
    """What groups the records of one visit; those that came outside any stand alone."""
    return row.visit if row.visit is not None else -row.row

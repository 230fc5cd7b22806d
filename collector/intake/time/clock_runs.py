"""The runs of a cuff's clock: between two readings it went on, as clocks go, or was changed. Pure."""

from bisect import bisect_right
from collections.abc import Sequence
from dataclasses import dataclass
from math import inf
from typing import NamedTuple

from collector.intake.time.clock_readings import ClockReading
from collector.store.instants import DAY, SECOND

DRIFT = 100e-6
"""No quartz clock of a cuff gains or loses more than this: 8.6 s a day (common practice, no source)."""

PACE_ERROR = 10e-6
"""A pace is used only where the clock readings' doubts leave no greater error than this."""

REACH_BACK, REACH_AHEAD = 32, 16
"""How many clock readings before and after a reading's arrival may bear on its time. Bounded, so that a visit after
years costs no more than one in the first week."""
_LONGEST_BACKLOG = 400 * DAY


@dataclass(frozen=True, slots=True)
class Run:
    """Clock readings first…last (indices), between which the clock went on undisturbed as far as can be seen."""

    first: int
    last: int


class Projection(NamedTuple):
    """A stamp read on one run of the clock.

    at: microseconds UTC. uncertainty: seconds, provided that the clock was not changed in the meantime.
    place: 'between' two clock readings, 'before' the first of the run, 'after' the last.
    """

    at: float
    uncertainty: float
    place: str


class AtArrival(NamedTuple):
    """What the clock readings around an arrival say of any record that came then.

    low…high (excluded): those that may bear on it. runs: those that it can be of, latest first, each with the
    first and the last of these. settled: the run that the clock was on, where one in the visit or afterwards shows it.
    last_visit, floor: when the clock was read in the whole visit before this one, and in the one before that.
    Cuffs send everything at a visit that does not break off: what is older than the last is hardly new, what is
    older than the one before even less so.
    """

    low: int
    high: int
    runs: Sequence[tuple[int, int, int]]
    settled: int | None
    last_visit: float
    floor: float


class ClockLine:
    """A cuff's clock readings in order, cut into runs."""

    def __init__(self, clock_readings: Sequence[ClockReading]) -> None:
        self.clock_readings = clock_readings
        self.times = [one.at for one in clock_readings]
        self.offsets = [one.offset for one in clock_readings]
        self.runs: list[Run] = []
        self.run_of: list[int] = []
        self._paces: dict[tuple[int, int], float] = {}
        self._at_arrivals: dict[tuple[int, int | None], AtArrival] = {}
        first = 0
        for index in range(len(clock_readings)):
            if index and changed(clock_readings[index - 1], clock_readings[index]):
                self.runs.append(Run(first, index - 1))
                first = index
            self.run_of.append(len(self.runs))
        if clock_readings:
            self.runs.append(Run(first, len(clock_readings) - 1))

    def at_arrival(self, received: int, visit: int | None) -> AtArrival:
        """As they are for whatever came then, in that visit."""
        arrival = bisect_right(self.times, received)
        known = self._at_arrivals.get((arrival, visit))
        if known is None:
            known = self._at_arrivals[arrival, visit] = self._seen_from(arrival, visit)
        return known

    def _seen_from(self, arrival: int, visit: int | None) -> AtArrival:
        read = self.clock_readings
        latest_run = self.run_of[min(arrival, len(read) - 1)]
        if arrival < len(read) and arrival and read[arrival].was_set and latest_run != self.run_of[arrival - 1]:
            latest_run -= 1  # the clock was set after this came
        last_visit, floor = self._visits_before(arrival, visit)
        low, high = max(0, arrival - REACH_BACK), min(len(read), arrival + REACH_AHEAD)
        within = []
        for number in range(latest_run, -1, -1):
            run = self.runs[number]
            if run.last < low:
                break
            within.append((number, max(run.first, low), min(run.last, high - 1)))
        return AtArrival(
            low=low,
            high=high,
            runs=within,
            settled=self._settled_run(arrival, visit),
            last_visit=last_visit,
            floor=floor,
        )

    def _settled_run(self, arrival: int, visit: int | None) -> int | None:
        if arrival and self.clock_readings[arrival - 1].visit == visit:
            return self.run_of[arrival - 1]
        if arrival < len(self.clock_readings) and (not arrival or self.run_of[arrival] == self.run_of[arrival - 1]):
            return self.run_of[arrival]
        return None

    def _visits_before(self, arrival: int, visit: int | None) -> tuple[float, float]:
        near = self.clock_readings[max(0, arrival - REACH_BACK) : arrival]
        before = [one for one in reversed(near) if one.visit != visit]
        before = [one for one in before if one.whole] or before  # a cuff that never hangs up breaks off each time
        if not before:
            return -inf, -inf
        last = before[0].at
        return last, next((one.at for one in before if one.visit != before[0].visit), last - _LONGEST_BACKLOG)

    def project(self, stamp: int, first: int, last: int, seen: AtArrival) -> Projection:
        """The stamp on the run of the clock readings first to last, some of those that were seen from an arrival."""
        rough = stamp + self.offsets[last]
        left = bisect_right(self.times, rough, first, last + 1) - 1
        if left < first:
            return self._beyond(stamp, first, self._pace(seen.low, seen.high), "before")
        if left == last:
            return self._beyond(stamp, last, self._pace(seen.low, seen.high), "after")
        # From here on it lies at or after the one, and before the other.
        began, offset = self.times[left], self.offsets[left]
        span, step = self.times[left + 1] - began, self.offsets[left + 1] - offset
        part = (rough - began) / span
        # One change between the two may hide as long as the difference could be drift: bound it too.
        hidden = max(part, 1 - part) * (abs(step) / SECOND + DRIFT * span / SECOND)
        doubt = max(self.clock_readings[left].doubt, self.clock_readings[left + 1].doubt)
        return Projection(stamp + offset + part * step, doubt + hidden, "between")

    def _beyond(self, stamp: int, nearest: int, pace: float, place: str) -> Projection:
        """Beyond the run's clock readings: carried on at the clock's pace."""
        one = self.clock_readings[nearest]
        rough = stamp + self.offsets[nearest]
        away = rough - one.at
        return Projection(rough + pace * away, one.doubt + 2 * DRIFT * abs(away) / SECOND, place)

    def _pace(self, low: int, high: int) -> float:
        """How much the offset grows in a microsecond: what the runs among these show, if they are long enough.

        A quartz keeps its pace whenever it is set.
        """
        known = self._paces.get((low, high))
        if known is None:
            known = self._paces[low, high] = self._measure_pace(low, high)
        return known

    def _measure_pace(self, low: int, high: int) -> float:
        gained = passed = 0
        doubt = 0.0
        for run in range(self.run_of[low], self.run_of[high - 1] + 1):
            first = self.clock_readings[max(self.runs[run].first, low)]
            last = self.clock_readings[min(self.runs[run].last, high - 1)]
            gained += last.offset - first.offset
            passed += last.at - first.at
            doubt += first.doubt + last.doubt if first is not last else 0
        if not passed or doubt * SECOND > PACE_ERROR * passed:
            return 0.0
        return min(DRIFT, max(-DRIFT, gained / passed))


def changed(before: ClockReading, after: ClockReading) -> bool:
    """Whether the clock was changed between two readings: it moved further than drift and doubt allow."""
    moved = abs(after.offset - before.offset) / SECOND
    if after.was_set:
        return moved > 1
    return moved > before.doubt + after.doubt + 1 + DRIFT * (after.at - before.at) / SECOND

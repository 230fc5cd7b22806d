"""Where on the time line a stamp lies, given the runs of the cuff's clock. Pure.

Follows the coincident time stamps of the HL7 Personal Health Device implementation guide: corrected = stamp +
(our clock − cuff's clock); a stamp of a run that has ended is read on that run. A time is called sure (an
uncertainty is given) only where nothing but one undetectable change of the clock could make it wrong.
"""

from bisect import bisect_right
from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise
from math import ceil, inf

from collector.intake.time import clock_runs
from collector.intake.time.clock_runs import ClockLine, Projection
from collector.store.instants import DAY, SECOND
from collector.store.readings.times import Time
from collector.store.values import Basis

STATION_UNSURE = "station clock unsure"
CLOCK_CHANGED = "clock changed"
"""The cuff's clock was changed about then; the uncertainty covers what the stamp may mean."""
NO_CLOCK = "stamp fits no clock"
"""No run of the clock that was ever seen can have given this stamp."""
BACKWARDS = "stamps run backwards"
"""A later record of the same visit has an earlier stamp: the clock was changed in between, unseen."""

FRESH = 120 * SECOND
"""A record that arrives this soon after it was taken is live."""
_SLACK = 3 * SECOND
_LONGEST_BACKLOG = 400 * DAY


@dataclass(frozen=True, slots=True)
class Stamped:
    """A reading as far as time is concerned. stamp, received: microseconds, of the cuff's clock and of ours.

    visit: groups what came in one visit. sure: our own clock was right when it came. run: how many times the
    stamps of its slot go back after it within the visit.
    """

    stamp: int | None
    clock: str | None
    received: int
    visit: int
    zone: str
    sure: bool
    slot: int | None = None
    run: int = 0


@dataclass(frozen=True, slots=True)
class _Candidate:
    run: int
    projection: Projection
    bounded: bool  # looks bound it on either side, and nothing speaks against it
    fresh: bool

    @property
    def at(self) -> float:
        return self.projection.at


def place(reading: Stamped, line: ClockLine) -> Time:
    """The time of a stamped reading. The line must have looks."""
    assert reading.stamp is not None
    candidates = _candidates(reading, line)
    if not candidates:
        return Time(reading.received, Basis.ARRIVAL, None, (NO_CLOCK,))
    chosen = candidates[-1] if reading.run and len(candidates) > 1 else candidates[0]
    marks: list[str] = []
    uncertainty: float | None = 1 + max(one.projection.uncertainty for one in candidates)
    if len(candidates) > 1:
        marks.append(CLOCK_CHANGED)
        spread = max(abs(one.at - chosen.at) for one in candidates) / SECOND
        # Between live records the clock may have been changed more than once.
        uncertainty = None if line.looks[0].live else (uncertainty or 0) + spread
    elif not (chosen.fresh and reading.sure):
        if reading.run:
            marks.append(BACKWARDS)
            uncertainty = None
        elif not chosen.bounded or not reading.sure:
            uncertainty = None
        elif chosen.projection.place != "between":
            marks.append(CLOCK_CHANGED)
    at = min(chosen.at, reading.received) if reading.sure else chosen.at
    at = round(at / SECOND) * SECOND
    return Time(at, Basis.CORRECTED, None if uncertainty is None else float(ceil(uncertainty)), tuple(marks))


def _candidates(reading: Stamped, line: ClockLine) -> list[_Candidate]:
    """The runs that can have given the stamp, latest first."""
    assert reading.stamp is not None
    looks, received = line.looks, reading.received
    arrival = bisect_right(line.times, received)
    low = max(0, arrival - clock_runs.REACH_BACK)
    high = min(len(looks), arrival + clock_runs.REACH_AHEAD)
    latest_run = line.run_of[min(arrival, len(looks) - 1)]
    if arrival < len(looks) and arrival and looks[arrival].was_set and latest_run != line.run_of[arrival - 1]:
        latest_run -= 1  # the clock was set after this came
    last_visit, floor = _visits_before(reading, line, arrival)
    settled = _settled_run(reading, line, arrival)
    found: list[_Candidate] = []
    for run in range(latest_run, -1, -1):
        first, last = max(line.runs[run].first, low), min(line.runs[run].last, high - 1)
        if last < first:
            break
        if found and looks[last + 1].at < floor:
            break  # it would have been left over from two visits ago; what we have is likelier
        one = _feasible(reading, line, run, (low, high), floor if run == settled else last_visit)
        if one is not None:
            found.append(one)
    recent = [one for one in found if one.at >= floor - _SLACK]
    return recent or found


def _feasible(reading: Stamped, line: ClockLine, run: int, reach: tuple[int, int], overdue: float) -> _Candidate | None:
    """The stamp on one run, if it falls into that run's time and not after its arrival.

    overdue: what was taken before then should have come earlier; it may be of a run that was never seen.
    """
    assert reading.stamp is not None
    looks, (low, high) = line.looks, reach
    first, last = max(line.runs[run].first, low), min(line.runs[run].last, high - 1)
    projection = line.project(reading.stamp, run, low, high)
    slack = _SLACK + projection.uncertainty * SECOND
    begins = -inf if first == low else looks[first].at if looks[first].was_set else looks[first - 1].at
    ends = inf if last == high - 1 else looks[last + 1].at
    latest = min(ends, reading.received) if reading.sure else ends
    if not begins - slack <= projection.at <= latest + slack:
        return None
    in_visit = looks[last].visit == reading.visit and projection.at >= looks[last].at
    soon = abs(reading.received - projection.at) <= FRESH + looks[last].doubt * SECOND
    fresh = in_visit or (soon and projection.uncertainty * SECOND <= FRESH)
    if looks[first].live:
        # Live records come too rarely to bound a change, and one that came late by just as much as the clock was
        # moved passes for live: the last before a change and the first after it are not relied upon.
        beside = _beside_a_change(line, run, projection.at)
        bounded = projection.place == "between" and projection.at >= overdue - slack
        return _Candidate(run, projection, bounded and not beside, fresh and not beside)
    # Where the clock is read at each visit one change between two looks is all there can be.
    bounded = (
        projection.place == "between"
        or (projection.place == "before" and first > low)
        or (projection.place == "after" and last < high - 1)
    )
    return _Candidate(run, projection, bounded and projection.at >= overdue - slack, fresh)


def _beside_a_change(line: ClockLine, run: int, at: float) -> bool:
    """Whether an instant lies at the end of a run that has ended, or at the beginning of one that began."""
    looks, first, last = line.looks, line.runs[run].first, line.runs[run].last
    ended, begun = run < len(line.runs) - 1, run > 0
    alone = first == last
    return (ended and (alone or at > looks[last - 1].at)) or (begun and (alone or at < looks[first + 1].at))


def _settled_run(reading: Stamped, line: ClockLine, arrival: int) -> int | None:
    """The run that the clock was on when the record came, where a look in the visit or afterwards shows it."""
    if arrival and line.looks[arrival - 1].visit == reading.visit:
        return line.run_of[arrival - 1]
    if arrival < len(line.looks) and (not arrival or line.run_of[arrival] == line.run_of[arrival - 1]):
        return line.run_of[arrival]
    return None


def _visits_before(reading: Stamped, line: ClockLine, arrival: int) -> tuple[float, float]:
    """When the clock was looked at in the last visit before this one, and in the one before that.

    Cuffs send everything at each visit: what is older than the last is hardly new, what is older than the one
    before even less so.
    """
    last = None
    for place in range(arrival - 1, max(0, arrival - clock_runs.REACH_BACK) - 1, -1):
        look = line.looks[place]
        if look.visit == reading.visit or (last is not None and look.visit == last.visit):
            continue
        if last is not None:
            return last.at, look.at
        last = look
    return (-inf, -inf) if last is None else (last.at, last.at - _LONGEST_BACKLOG)


def runs_within_visits(readings: Sequence[tuple[int, int | None, int | None]]) -> list[int]:
    """For each (visit, slot, stamp), in order of arrival: how often the stamps go back after it.

    A visit whose stamps only ever go back sends the newest first: that tells nothing.
    """
    counts = [0] * len(readings)
    groups: dict[tuple[int, int | None], list[int]] = {}
    for index, (visit, slot, stamp) in enumerate(readings):
        if stamp is not None:
            groups.setdefault((visit, slot), []).append(index)
    for members in groups.values():
        steps = [_stamp(readings, here) > _stamp(readings, there) for here, there in pairwise(members)]
        if len(steps) >= 2 and all(steps):
            continue
        back = 0
        for index, step in zip(reversed(members[:-1]), reversed(steps), strict=True):
            back += step
            counts[index] = back
    return counts


def _stamp(readings: Sequence[tuple[int, int | None, int | None]], index: int) -> int:
    return readings[index][2] or 0

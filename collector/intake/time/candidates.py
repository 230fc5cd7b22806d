"""Where on the time line a stamp lies, given the runs of the cuff's clock. Pure.

Follows the coincident time stamps of the HL7 Personal Health Device implementation guide: corrected = stamp +
(our clock − cuff's clock); a stamp of a run that has ended is read on that run. A time is called sure (an
uncertainty is given) only where nothing but one undetectable change of the clock could make it wrong.
"""

from collections.abc import Sequence
from itertools import pairwise
from math import ceil, inf
from typing import NamedTuple

from collector.intake.time.clock_runs import AtArrival, ClockLine
from collector.store.instants import SECOND
from collector.store.readings.times import Placeable, Time
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


class _Candidate(NamedTuple):
    """A projection that may be the time of the stamp. bounded: clock readings bound it on either side, and
    nothing speaks against it."""

    at: float
    uncertainty: float
    place: str
    bounded: bool
    fresh: bool


def place(reading: Placeable, line: ClockLine, *, sure: bool, run: int) -> Time:
    """The time of a stamped reading. The line must have clock readings.

    sure: our own clock was right when it came. run: how many times the stamps of its slot go back after it within the
    visit.
    """
    assert reading.stamp is not None
    candidates = _candidates(reading, line, sure)
    if not candidates:
        return Time(reading.received, Basis.ARRIVAL, None, (NO_CLOCK,))
    several = len(candidates) > 1
    chosen = candidates[-1] if run and several else candidates[0]
    at, doubt, where, bounded, fresh = chosen
    marks: tuple[str, ...] = ()
    uncertainty: float | None = 1 + doubt
    if several:
        marks = (CLOCK_CHANGED,)
        uncertainty = 1 + max(one.uncertainty for one in candidates)
        spread = max(abs(one.at - at) for one in candidates) / SECOND
        # Between live records the clock may have been changed more than once.
        uncertainty = None if line.clock_readings[0].live else uncertainty + spread
    elif not (fresh and sure):
        if run:
            marks, uncertainty = (BACKWARDS,), None
        elif not bounded or not sure:
            uncertainty = None
        elif where != "between":
            marks = (CLOCK_CHANGED,)
    if sure and at > reading.received:
        at = reading.received
    at = round(at / SECOND) * SECOND
    return Time(at, Basis.CORRECTED, None if uncertainty is None else float(ceil(uncertainty)), marks)


def _candidates(reading: Placeable, line: ClockLine, sure: bool) -> list[_Candidate]:
    """The runs that can have given the stamp, latest first."""
    seen = line.at_arrival(reading.received, reading.visit)
    found: list[_Candidate] = []
    for run, first, last in seen.runs:
        if found and line.clock_readings[last + 1].at < seen.floor:
            break  # it would have been left over from two visits ago; what we have is likelier
        one = _feasible(reading, line, run, first, last, seen, sure)
        if one is not None:
            found.append(one)
    if len(found) < 2:
        return found
    recent = [one for one in found if one.at >= seen.floor - _SLACK]
    return recent or found


def _feasible(
    reading: Placeable, line: ClockLine, run: int, first: int, last: int, seen: AtArrival, sure: bool
) -> _Candidate | None:
    """The stamp on one run, whose clock readings are first to last, if it falls into that run's time and not after its
    arrival."""
    assert reading.stamp is not None
    read, low, high, received = line.clock_readings, seen.low, seen.high, reading.received
    at, uncertainty, place = line.project(reading.stamp, first, last, seen)
    doubt = uncertainty * SECOND
    slack = _SLACK + doubt
    begins = -inf if first == low else read[first].at if read[first].was_set else read[first - 1].at
    ends = inf if last == high - 1 else read[last + 1].at
    latest = received if sure and received < ends else ends
    if not begins - slack <= at <= latest + slack:
        return None
    # What was taken before then should have come earlier; it may be of a run that was never seen.
    overdue = seen.floor if run == seen.settled else seen.last_visit
    newest = read[last]
    in_visit = newest.visit == reading.visit and at >= newest.at
    fresh = in_visit or (doubt <= FRESH and abs(received - at) <= FRESH + newest.doubt * SECOND)
    if read[first].live:
        # Live records come too rarely to bound a change, and one that came late by just as much as the clock was
        # moved passes for live: the last before a change and the first after it are not relied upon.
        beside = _beside_a_change(line, run, at)
        bounded = place == "between" and not beside
        fresh = fresh and not beside
    else:
        # Where the clock is read at each visit one change between two readings is all there can be.
        bounded = place == "between" or (place == "before" and first > low) or (place == "after" and last < high - 1)
    # By place: naming each takes twice as long.
    return _Candidate(at, uncertainty, place, bounded and at >= overdue - slack, fresh)


def _beside_a_change(line: ClockLine, run: int, at: float) -> bool:
    """Whether an instant lies at the end of a run that has ended, or at the beginning of one that began."""
    read, first, last = line.clock_readings, line.runs[run].first, line.runs[run].last
    ended, begun = run < len(line.runs) - 1, run > 0
    alone = first == last
    return (ended and (alone or at > read[last - 1].at)) or (begun and (alone or at < read[first + 1].at))


def runs_within_visits(readings: Sequence[tuple[int, int | None, int | None]]) -> list[int]:
    """For each (visit, slot, stamp), in order of arrival: how often the stamps go back after it.

    A visit whose stamps only ever go back sends the newest first: that tells nothing.
    """
    counts = [0] * len(readings)
    groups: dict[tuple[int, int | None], list[int]] = {}
    stamps = [stamp or 0 for _, _, stamp in readings]
    for index, (visit, slot, stamp) in enumerate(readings):
        if stamp is not None:
            groups.setdefault((visit, slot), []).append(index)
    for members in groups.values():
        steps = [stamps[here] > stamps[there] for here, there in pairwise(members)]
        if not any(steps) or (len(steps) >= 2 and all(steps)):
            continue
        back = 0
        for index, step in zip(reversed(members[:-1]), reversed(steps), strict=True):
            back += step
            counts[index] = back
    return counts

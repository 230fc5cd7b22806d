"""The two clocks seen side by side: what a cuff's clock showed at an instant of ours."""

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime

from collector.intake.time.arrival_times import ArrivalTimes, arrival_times
from collector.intake.time.zones import wall_us
from collector.store.database import Store
from collector.store.instants import SECOND, from_us, to_us
from collector.store.journal import visit_facts
from collector.store.journal.visit_facts import ClockValue
from parsers.cuff_clock import clock_shown, seconds_ahead
from parsers.uuids import Uuid


@dataclass(frozen=True, slots=True)
class ClockReading:
    """at: our clock, microseconds UTC. shown: the cuff's, microseconds since 1970 of its own wall clock.

    doubt: seconds by which the pair may be out. was_set: the cuff's clock was written, this is what it shows
    since. whole: the cuff sent all it had in that visit, or nobody can tell.
    """

    at: int
    shown: int
    doubt: float
    visit: int
    was_set: bool = False
    live: bool = False
    whole: bool = True

    @property
    def offset(self) -> int:
        """To add to a stamp of the cuff."""
        return self.at - self.shown


VALUES_A_VISIT = 2
"""Both clocks of a cuff may be read in a visit; one reading of them is used."""


def usable_clock_readings(values: Sequence[ClockValue], arrived: ArrivalTimes) -> list[ClockReading]:
    """Of a cuff; in order."""
    found = [
        (value.uid, value.characteristic, read)
        for value in values
        if (read := clock_reading(value, arrived)) is not None
    ]
    found.sort(key=lambda one: (one[2].at, one[2].was_set, one[2].shown, one[0]))
    with_current = {one.visit for _, characteristic, one in found if characteristic == Uuid.CURRENT_TIME}
    return [
        one
        for _, characteristic, one in found
        if one.was_set or characteristic == Uuid.CURRENT_TIME or one.visit not in with_current
    ]


def clock_reading(value: ClockValue, arrived: ArrivalTimes) -> ClockReading | None:
    """The two clocks as a visit kept them; None where either of them told nothing.

    A refusal says nothing of what the clock shows since, nor does 0x80 (Current Time Service: data field ignored); the
    reading of it after the writing does.
    """
    wall = clock_shown(value.characteristic, value.value)
    if wall is None or not arrived.sure(value.clock_id) or (value.was_set and value.error is not None):
        return None
    shown = wall_us(wall)
    return ClockReading(
        at=arrived.at(value.at, value.clock_id),
        shown=shown,
        doubt=0.5 + value.round_trip_us / 2 / SECOND + (0.0 if shown % SECOND else 0.5),
        visit=value.visit,
        was_set=value.was_set,
        whole=value.whole,
    )


def clock_ahead_s(store: Store, cuff: str, zone: str | None, since: datetime | None = None) -> float | None:
    """Seconds that a cuff's clock was ahead of the wall clock of `zone` (None: this machine's).

    By its last reading; with `since` by the first from then on, which is how it stood before anybody set it. None
    where it told no time, where it was set after its last reading, or while our own clock was in doubt.
    """
    arrived = arrival_times(store)
    found: ClockReading | None = None
    for value in visit_facts.clock_values(store, cuff):
        if since is not None and arrived.at(value.at, value.clock_id) < to_us(since):
            break
        if value.was_set:
            if since is None and value.error is None:
                break
            continue
        found = clock_reading(value, arrived) or found
        if since is None and found:
            break
    if found is None:
        return None
    return seconds_ahead(from_us(found.shown).replace(tzinfo=None), from_us(found.at), zone)

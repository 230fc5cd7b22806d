"""The two clocks seen side by side: what a cuff's clock showed at an instant of ours."""

from dataclasses import dataclass
from datetime import UTC, datetime
from functools import lru_cache

from collector.intake.time.arrival_times import ArrivalTimes
from collector.store.database import Store
from collector.store.instants import SECOND, to_us
from collector.store.journal import visit_facts
from parsers.errors import ParseError
from parsers.stamps import parse_current_time, parse_date_time
from parsers.uuids import Uuid


@dataclass(frozen=True, slots=True)
class ClockReading:
    """at: our clock, microseconds UTC. shown: the cuff's, microseconds since 1970 of its own wall clock.

    doubt: seconds by which the pair may be out. was_set: the cuff's clock was written, this is what it shows
    since.
    """

    at: int
    shown: int
    doubt: float
    visit: int
    was_set: bool = False
    live: bool = False

    @property
    def offset(self) -> int:
        """To add to a stamp of the cuff."""
        return self.at - self.shown


def clock_readings_around(
    store: Store, cuff_id: int, arrived: ArrivalTimes, start: int, before: int
) -> list[ClockReading]:
    """The usable looks at a cuff's clock since `start`, and so many (or all) before it; in order."""
    # Instants that were put right do not stand in the index's order.
    unsure = visit_facts.has_unsure(store, cuff_id)
    found: list[tuple[bytes, int, ClockReading]] = []
    earlier = 0
    for value in visit_facts.clock_values(store, cuff_id):
        if earlier > 2 * before and not unsure:
            break  # twice as many: both clocks of a visit may have been read
        earlier += value.at < start
        # A refusal says nothing of what the clock shows since, nor does 0x80 (Current Time Service: data field
        # ignored); the reading of it after the writing does.
        if not arrived.sure(value.clock_id) or (value.was_set and value.error is not None):
            continue
        shown = clock_shown(value.characteristic, value.value)
        if shown is not None:
            doubt = 0.5 + value.round_trip_us / 2 / SECOND + (0.0 if shown % SECOND else 0.5)
            read = ClockReading(
                at=arrived.at(value.at, value.clock_id),
                shown=shown,
                doubt=doubt,
                visit=value.visit,
                was_set=value.was_set,
            )
            found.append((value.uid, value.characteristic, read))
    found.sort(key=lambda one: (one[2].at, one[2].was_set, one[2].shown, one[0]))
    with_current = {look.visit for _, characteristic, look in found if characteristic == Uuid.CURRENT_TIME}
    return [
        look
        for _, characteristic, look in found
        if look.was_set or characteristic == Uuid.CURRENT_TIME or look.visit not in with_current
    ]


@lru_cache(maxsize=1024)
def clock_shown(characteristic: int, value: bytes) -> int | None:
    """A clock value in microseconds since 1970 of that clock; None where it names no second."""
    wall: datetime | None
    try:
        wall = (parse_current_time(value) if characteristic == Uuid.CURRENT_TIME else parse_date_time(value)).naive()
    except ParseError:
        return None
    return None if wall is None else to_us(wall.replace(tzinfo=UTC))

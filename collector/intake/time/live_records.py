"""Where a cuff's clock cannot be read: its offset learned from records that arrive as they are taken. Pure.

No record arrives before it is taken, so the newest stamp of a visit bounds the offset from above; a live one
comes close. One visit alone cannot say whether its newest record was live: others must agree.
"""

from collections.abc import Sequence
from dataclasses import dataclass, field

from collector.intake.time.clock_readings import ClockReading
from collector.intake.time.clock_runs import DRIFT
from collector.store.instants import SECOND

LATENCY = 30 * SECOND
"""From the end of a measurement to its record's arrival, give or take as much: a live record takes up to a
minute to find its way (common practice, no source)."""

AGREE = 60.0
"""Seconds within which the offsets of two live records lie."""

NEIGHBOURS = 3
"""Visits before and after that are asked whether they agree."""

_DOUBT = 35.0

HABIT = 3 * 3600 * SECOND
"""By so much at most a person may let the cuff send late, each time alike: an offset that such a habit explains as well
as a slow clock is no surer than the whole of it (a choice of this project, no source)."""


@dataclass(frozen=True, slots=True)
class Newest:
    """The record of a visit that came soonest after its stamp. wall_offset: of a clock that shows local
    time."""

    visit: int
    received: int
    stamp: int
    wall_offset: int
    offset: int = field(init=False)

    def __post_init__(self) -> None:
        object.__setattr__(self, "offset", self.received - self.stamp)


def newest(records: Sequence[Newest]) -> list[Newest]:
    """For each visit the record with the least delay, in order of arrival."""
    best: dict[int, Newest] = {}
    for record in records:
        held = best.get(record.visit)
        if held is None or record.offset < held.offset:
            best[record.visit] = record
    return sorted(best.values(), key=lambda record: (record.received, record.stamp))


def readings_of_live_records(visits: Sequence[Newest], skip: int = 0) -> list[ClockReading]:
    """The visits whose newest record was live, each as a clock reading.

    Three must agree; two suffice where the clock shows local time as it should.
    skip: the first visits only bear witness.
    """
    found = []
    for index in range(skip, len(visits)):
        one = visits[index]
        late = one.offset - one.wall_offset
        doubt = late / SECOND if 45 * SECOND < late <= HABIT else _DOUBT
        needed = 1 if shows_local_time(late) else 2
        for near in range(max(0, index - NEIGHBOURS), min(len(visits), index + NEIGHBOURS + 1)):
            if near != index and _agree(one, visits[near]):
                needed -= 1
                if not needed:
                    found.append(ClockReading(one.received - LATENCY, one.stamp, doubt, one.visit, live=True))
                    break
    return found


def shows_local_time(late: int) -> bool:
    """Whether a record that came so late (microseconds) by the local clock is a live one of a right clock."""
    return 0 <= late <= 45 * SECOND


def _agree(one: Newest, other: Newest) -> bool:
    apart = abs(one.offset - other.offset) / SECOND
    return apart <= AGREE + DRIFT * abs(one.received - other.received) / SECOND

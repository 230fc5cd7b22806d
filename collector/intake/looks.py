"""The two clocks seen side by side: what a cuff's clock showed at an instant of ours."""

from dataclasses import dataclass
from datetime import UTC, datetime

from collector.intake.arrivals import Arrivals
from collector.store.database import Store
from collector.store.instants import SECOND, to_us
from parsers.errors import ParseError
from parsers.stamps import parse_current_time, parse_date_time
from parsers.uuids import Uuid

IGNORED_FIELDS = 0x80
"""ATT error of a clock that took the time with reservations (Current Time Service: data field ignored)."""


@dataclass(frozen=True, slots=True)
class Look:
    """at: our clock, microseconds UTC. shown: the cuff's, microseconds since 1970 of its own wall clock.

    doubt: seconds by which the pair may be out. was_set: the cuff's clock was written, this is what it shows
    since.
    """

    at: int
    shown: int
    doubt: float
    visit: int
    was_set: bool = False

    @property
    def offset(self) -> int:
        """To add to a stamp of the cuff."""
        return self.at - self.shown


def looks_of(store: Store, cuff_id: int, arrived: Arrivals) -> list[Look]:
    """All usable looks at a cuff's clock, in order."""
    rows = store.query(
        "SELECT visit_id, kind, characteristic, value, at, round_trip_us, error, clock_id FROM visit_fact "
        "WHERE cuff_id = ? AND kind IN ('read', 'clock set') AND characteristic IN (?, ?)",
        (cuff_id, Uuid.CURRENT_TIME, Uuid.DATE_TIME),
    )
    found = []
    for visit, kind, characteristic, value, at, round_trip, error, clock in rows:
        if not arrived.sure(clock) or (kind == "clock set" and error is not None):
            continue
        shown = clock_shown(characteristic, value)
        if shown is not None:
            found.append(
                Look(arrived.at(at, clock), shown, 1.0 + round_trip / 2 / SECOND, visit, kind == "clock set")
            )
    return sorted(found, key=lambda look: (look.at, look.was_set, look.shown))


def clock_shown(characteristic: int, value: bytes) -> int | None:
    """A clock value in microseconds since 1970 of that clock; None where it names no second."""
    wall: datetime | None
    try:
        wall = (
            parse_current_time(value) if characteristic == Uuid.CURRENT_TIME else parse_date_time(value)
        ).naive()
    except ParseError:
        return None
    return None if wall is None else to_us(wall.replace(tzinfo=UTC))

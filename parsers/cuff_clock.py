"""A cuff's clock as it is read and written: what it shows, how far that is ahead of ours, and what sets it.

Source: GATT Specification Supplement, "Date Time", "Current Time". Its time is local, without a zone.
"""

from datetime import datetime
from functools import lru_cache
from zoneinfo import ZoneInfo

from parsers.errors import ParseError
from parsers.stamps import build_current_time, build_date_time, parse_current_time, parse_date_time
from parsers.uuids import Uuid

CLOCKS = (Uuid.CURRENT_TIME, Uuid.DATE_TIME)
"""The characteristics that show a clock; the first that a cuff has is its clock."""
EXTERNAL_REFERENCE = 0x02  # Adjust Reason, bit 1 (GATT Specification Supplement, "Current Time")


def local(at: datetime, zone: str | None) -> datetime:
    """The wall clock at an instant, in the cuffs' zone (IANA name; None: this machine's)."""
    return at.astimezone(ZoneInfo(zone) if zone else None)


@lru_cache(maxsize=1024)
def clock_shown(characteristic: int, value: bytes) -> datetime | None:
    """The wall time that a clock value shows; None where it names no second: never set, or nonsense."""
    try:
        return (parse_current_time(value) if characteristic == Uuid.CURRENT_TIME else parse_date_time(value)).naive()
    except ParseError:
        return None


def seconds_ahead(shown: datetime, at: datetime, zone: str | None) -> float:
    """How far a cuff's clock that shows this is ahead of ours at an instant."""
    return (shown - local(at, zone).replace(tzinfo=None)).total_seconds()


def build_clock(characteristic: int, at: datetime, zone: str | None) -> bytes:
    """The value to write so that the cuff shows this instant."""
    wall = local(at, zone)
    if characteristic == Uuid.CURRENT_TIME:
        return build_current_time(wall, reason=EXTERNAL_REFERENCE)
    return build_date_time(wall)

"""The cuff's clock beside ours: how far it is off, and what to write to set it."""

from datetime import UTC, datetime
from zoneinfo import ZoneInfo

from collector.radio.port import ValueRead
from parsers.errors import ParseError
from parsers.stamps import build_current_time, build_date_time, parse_current_time, parse_date_time
from parsers.uuids import Uuid

EXTERNAL_REFERENCE = 0x02  # Adjust Reason, bit 1 (GATT Specification Supplement, "Current Time")
NO_EARLIER = datetime(2026, 1, 1, tzinfo=UTC)  # before this program was written: our own clock was never set


def trustworthy(now: datetime) -> bool:
    """Whether our own clock can be right at all (a computer without a clock starts in 1970)."""
    return now >= NO_EARLIER


def local(at: datetime, zone: str | None) -> datetime:
    """The wall clock at an instant, in the cuffs' zone (IANA name; None: this machine's)."""
    return at.astimezone(ZoneInfo(zone) if zone else None)


def seconds_ahead(reading: ValueRead, zone: str | None) -> float | None:
    """How far the cuff's clock is ahead of ours at the instant it was read; None where it shows no time."""
    parse = parse_current_time if reading.characteristic == Uuid.CURRENT_TIME else parse_date_time
    try:
        shown = parse(reading.value).naive()
    except ParseError:
        return None
    if shown is None:  # never set, or nonsense
        return None
    return (shown - local(reading.at, zone).replace(tzinfo=None)).total_seconds()


def encode(characteristic: int, at: datetime, zone: str | None) -> bytes:
    """The value to write so that the cuff shows this instant."""
    wall = local(at, zone)
    if characteristic == Uuid.CURRENT_TIME:
        return build_current_time(wall, reason=EXTERNAL_REFERENCE)
    return build_date_time(wall)

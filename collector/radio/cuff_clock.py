"""The cuff's clock beside ours: how far it is off, and what to write to set it."""

from datetime import UTC, datetime
from typing import TYPE_CHECKING
from zoneinfo import ZoneInfo

from collector.radio.own_clock import trustworthy
from collector.radio.plan import SetClock
from collector.radio.port import ClockSet, Refused, ValueRead
from parsers.errors import ParseError
from parsers.stamps import build_current_time, build_date_time, parse_current_time, parse_date_time
from parsers.uuids import Uuid

if TYPE_CHECKING:
    from collector.radio.steps import Steps

EXTERNAL_REFERENCE = 0x02  # Adjust Reason, bit 1 (GATT Specification Supplement, "Current Time")


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


async def set_clock(steps: "Steps", clocks: tuple[int, ...], though_right: bool) -> bool:
    """Set the cuff's clock, between two readings of it.

    Only once the cuff has fallen quiet, so that records stamped by the old clock are here already, except where
    it sends nothing before; the reading before and the one after say for every stamp by which clock it was
    written. Never where our own clock cannot be right (a computer without clock before it has asked for the
    time). though_right: also where 'when wrong' would leave it.
    """
    from collector.radio.time_limit import within  # asyncio, which whoever only asks for the time needs not

    found = steps.find(*clocks, property_="write") or steps.find(*clocks, property_="write-without-response")
    if found is None or found.short is None:
        return False
    before = await steps.read(*clocks)
    if before is None:
        return False
    offset = seconds_ahead(before, steps.plan.zone)
    right = offset is not None and abs(offset) <= steps.plan.clock_wrong_after_s
    leave = steps.plan.set_clock is SetClock.WHEN_WRONG and right and not though_right
    if leave or not trustworthy(before.at):
        return False
    value, error = encode(found.short, datetime.now(UTC), steps.plan.zone), None
    try:
        await within(steps.plan.step_timeout_s, steps.link.write(found, value))
    except TimeoutError:
        steps.silent = True
        steps.note("setting the clock", "no answer")
        return False
    except Refused as refusal:
        error = refusal.code
        steps.note("setting the clock", str(refusal))
    steps.learn(ClockSet(found.short, value, datetime.now(UTC), error))
    await steps.read(*clocks)
    return True

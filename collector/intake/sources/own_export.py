"""Readings that come from an export of ours, in the journal: one reading, whole, is one payload.

It says what the reading was at the time of the export, times and all; nothing of it is worked out anew. Its payload
is the one the reading had, its zone the station's where that fits.
"""

import json
from dataclasses import fields
from datetime import datetime, timedelta
from decimal import Decimal
from functools import lru_cache
from zoneinfo import ZoneInfo, available_timezones

from collector.intake.sources.hand_log import without_name
from collector.store.acceptable import problem_of
from collector.store.columns import zone_named
from collector.store.values import Basis, Reading
from parsers.errors import ParseError

IMPORTED_CHARACTERISTIC = 1
"""Stands where a cuff's payload has its 16-bit UUID."""
CLOCK = "imported"
"""Such a reading's time is never placed anew."""
_NUMBERS = ("systolic", "diastolic", "mean", "pulse")
_LISTS = ("status", "assessed", "marks")


def build(reading: Reading) -> bytes:
    """The payload to append to the journal. The same reading gives the same octets."""
    values = {item.name: getattr(reading, item.name) for item in fields(Reading)}
    for name in _NUMBERS:
        values[name] = None if values[name] is None else str(values[name])
    values |= {name: getattr(reading, name).isoformat() for name in ("taken_at", "received_at")}
    del values["person"]  # whose it is says a claim: a name in a payload would outlive its owner's erasing
    values["payload"] = without_name(bytes.fromhex(reading.payload)).hex()
    values["zone"] = getattr(reading.taken_at.tzinfo, "key", None)
    return json.dumps(values, sort_keys=True).encode()


def parse(value: bytes) -> tuple[Reading, str | None]:
    """(reading, name of its zone where that was known). Raises ParseError."""
    try:
        values = json.loads(value)
        zone = values.pop("zone")
        values["person"] = None
        for name in _NUMBERS:
            values[name] = None if values[name] is None else Decimal(values[name])
        values |= {name: tuple(values[name]) for name in _LISTS}
        values |= {name: datetime.fromisoformat(values[name]) for name in ("taken_at", "received_at")}
        reading = Reading(**{**values, "taken_basis": Basis(values["taken_basis"])})
        if problem := problem_of(reading):
            raise ValueError(problem)
        if zone is not None:
            zone_named(zone)
    except (ValueError, KeyError, TypeError, ArithmeticError, AttributeError, RecursionError) as error:
        raise ParseError("imported reading", 0, f"cannot be read ({error})") from error
    return reading, zone


def zone_like(at: datetime, usual: str) -> str:
    """A zone whose clocks show this very time then: the usual one if they do. Raises ParseError for none."""
    offset = at.utcoffset() or timedelta()
    if at.astimezone(ZoneInfo(usual)).utcoffset() == offset:
        return usual
    hours, rest = divmod(offset, timedelta(hours=1))
    if not rest and -12 <= hours <= 14:
        return "UTC" if not hours else f"Etc/GMT{-hours:+d}"  # the sign is turned round in these names (IANA)
    for name in _names():
        if at.astimezone(ZoneInfo(name)).utcoffset() == offset:
            return name
    raise ParseError("imported reading", 0, f"no zone of the world is {offset} ahead of UTC then")


@lru_cache(maxsize=1)
def _names() -> list[str]:
    return sorted(available_timezones())

"""What a cuff knows about its zone and about where its clock's time comes from: 0x2A0F and 0x2A14.

Source: GATT Specification Supplement, "Local Time Information" and "Reference Time Information".
"""

from dataclasses import dataclass
from datetime import timedelta
from decimal import Decimal

from construct import Int8sl, Int8ul, Struct

from parsers.declaration import Layout

LOCAL_TIME = Struct("time_zone" / Int8sl, "dst_offset" / Int8ul)
REFERENCE_TIME = Struct("source" / Int8ul, "accuracy" / Int8ul, "days" / Int8ul, "hours" / Int8ul)
_LOCAL_TIME, _REFERENCE_TIME = Layout(LOCAL_TIME), Layout(REFERENCE_TIME)

TIME_SOURCES = (
    "unknown",
    "network time protocol",
    "GPS",
    "radio time signal",
    "set by hand",
    "atomic clock",
    "cellular network",
    "not synchronised",
)
_DST_MINUTES = {0: 0, 2: 30, 4: 60, 8: 120}


@dataclass(frozen=True, slots=True)
class LocalTime:
    """time_zone: quarter hours, without daylight saving; dst_offset: a code. Both as sent."""

    time_zone: int
    dst_offset: int
    trailing: bytes = b""

    @property
    def zone(self) -> timedelta | None:
        """Standard time's distance from UTC; None where unknown or reserved."""
        return timedelta(minutes=15 * self.time_zone) if -48 <= self.time_zone <= 56 else None

    @property
    def daylight_saving(self) -> timedelta | None:
        """What is added to standard time; None where unknown or reserved."""
        minutes = _DST_MINUTES.get(self.dst_offset)
        return None if minutes is None else timedelta(minutes=minutes)


def parse_local_time(value: bytes) -> LocalTime:
    """0x2A0F, 2 octets. Raises ParseError."""
    return LocalTime(*_LOCAL_TIME.read(value))


def build_local_time(local: LocalTime) -> bytes:
    """Raises ValueError when a number does not fit."""
    return _LOCAL_TIME.build({"time_zone": local.time_zone, "dst_offset": local.dst_offset}, local.trailing)


@dataclass(frozen=True, slots=True)
class ReferenceTime:
    """source: index into TIME_SOURCES; accuracy: 1/8 s; days and hours since the last update. All as sent."""

    source: int
    accuracy: int
    days: int
    hours: int
    trailing: bytes = b""

    @property
    def source_words(self) -> str:
        return TIME_SOURCES[self.source] if self.source < len(TIME_SOURCES) else f"reserved ({self.source})"

    @property
    def drift(self) -> Decimal | None:
        """Seconds the clock may be off; None where unknown (255) or beyond 31.625 s (254)."""
        return Decimal(self.accuracy) / 8 if self.accuracy < 254 else None

    @property
    def since_update(self) -> timedelta | None:
        """Time since the clock was last set; None where it is 255 days or more, or reserved."""
        if self.days == 255 or self.hours > 23:
            return None
        return timedelta(days=self.days, hours=self.hours)


def parse_reference_time(value: bytes) -> ReferenceTime:
    """0x2A14, 4 octets. Raises ParseError."""
    return ReferenceTime(*_REFERENCE_TIME.read(value))


def build_reference_time(reference: ReferenceTime) -> bytes:
    """Raises ValueError when a number does not fit an octet."""
    return _REFERENCE_TIME.build(
        {"source": reference.source, "accuracy": reference.accuracy, "days": reference.days, "hours": reference.hours},
        reference.trailing,
    )

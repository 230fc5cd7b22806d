"""A cuff's time stamps and clock: local wall time, without a zone.

Sources: GATT Specification Supplement, "Date Time", "Day Date Time", "Current Time"; Blood Pressure
Service 1.1 for seconds since an epoch. That the wall time is local follows the services' prose.
"""

from dataclasses import dataclass
from datetime import datetime, timedelta
from decimal import Decimal
from functools import lru_cache
from typing import NamedTuple

from construct import Int8sl, Int8ul, Int16ul, Struct

from parsers.declaration import Layout

DATE_TIME = Struct(
    "year" / Int16ul, "month" / Int8ul, "day" / Int8ul, "hour" / Int8ul, "minute" / Int8ul, "second" / Int8ul
)
CURRENT_TIME = Struct(
    "date_time" / DATE_TIME, "day_of_week" / Int8ul, "fractions256" / Int8ul, "adjust_reason" / Int8ul
)
_DATE_TIME, _CURRENT_TIME = Layout(DATE_TIME), Layout(CURRENT_TIME)
_PART: dict[int | None, str] = {None: "--", **{number: f"{number:02}" for number in range(256)}}
"""How an octet of a stamp is written."""


class DateTime(NamedTuple):
    """Seven octets of wall time as sent: parts that cannot be (month 13, second 60) stay as they came.

    year, month and day are None where the cuff sent 0, its word for unknown. trailing: octets after a
    value of 0x2A08; a stamp within a record has none.
    """

    year: int | None
    month: int | None
    day: int | None
    hour: int
    minute: int
    second: int
    trailing: bytes = b""

    @classmethod
    def of(cls, when: datetime) -> "DateTime":
        """The wall time that `when` shows in its own zone, to the second."""
        return cls(
            year=when.year, month=when.month, day=when.day, hour=when.hour, minute=when.minute, second=when.second
        )

    @classmethod
    def sent(
        cls, year: int, month: int, day: int, hour: int, minute: int, second: int, trailing: bytes = b""
    ) -> "DateTime":
        """Of the numbers in its octets."""
        # By place: naming each takes twice as long.
        return cls(year or None, month or None, day or None, hour, minute, second, trailing)

    def fields(self) -> dict[str, int]:
        return {
            "year": self.year or 0,
            "month": self.month or 0,
            "day": self.day or 0,
            "hour": self.hour,
            "minute": self.minute,
            "second": self.second,
        }

    @property
    def raw(self) -> bytes:
        """The seven octets."""
        return _DATE_TIME.build(self.fields())

    @property
    def usable(self) -> bool:
        """Whether this names one second of the calendar, within the format's years 1582 to 9999."""
        return self.shown() is not None

    def shown(self) -> int | None:
        """The wall time in seconds since its 1970, or None where a part is unknown or cannot be."""
        year, month, day, hour, minute, second, _ = self
        midnight = _midnight(year, month, day)
        if midnight is None or not (hour < 24 and minute < 60 and second < 60):
            return None
        return midnight + hour * 3600 + minute * 60 + second

    def naive(self) -> datetime | None:
        """The wall time, or None where a part is unknown or cannot be."""
        shown = self.shown()
        return None if shown is None else _EPOCH + timedelta(seconds=shown)

    def __str__(self) -> str:
        """ISO 8601 without zone, unknown parts as dashes."""
        year, month, day, hour, minute, second, _ = self
        in_full = "--" if year is None else f"{year:04}"
        return f"{in_full}-{_PART[month]}-{_PART[day]}T{_PART[hour]}:{_PART[minute]}:{_PART[second]}"


_EPOCH = datetime(1970, 1, 1)


@lru_cache(maxsize=4096)
def _midnight(year: int | None, month: int | None, day: int | None) -> int | None:
    """The beginning of a day of the calendar in seconds since 1970; None for what is none, or is unknown."""
    if year is None or month is None or day is None or year < 1582:
        return None
    try:
        return (datetime(year, month, day) - _EPOCH).days * 86_400
    except ValueError:
        return None


@dataclass(frozen=True, slots=True)
class EpochTime:
    """Seconds since midnight of 1 January 1900 or 2000, on whatever clock the cuff counts them."""

    seconds: int
    epoch: int

    @classmethod
    def of(cls, when: datetime, epoch: int = 2000) -> "EpochTime":
        """The wall time that `when` shows in its own zone, to the second."""
        return cls(int((when.replace(tzinfo=None) - datetime(epoch, 1, 1)).total_seconds()), epoch)

    def shown(self) -> int:
        """The wall time in seconds since its 1970."""
        return (datetime(self.epoch, 1, 1) - _EPOCH).days * 86_400 + self.seconds

    def naive(self) -> datetime:
        return _EPOCH + timedelta(seconds=self.shown())

    def __str__(self) -> str:
        return self.naive().isoformat()


@dataclass(frozen=True, slots=True)
class CurrentTime:
    """The cuff's clock.

    day_of_week: 1 Monday to 7 Sunday, None where the cuff sent 0, its word for unknown.
    fractions256: 1/256 s. adjust_reason: bit 0 set by hand, 1 by an outside reference, 2 zone changed,
    3 daylight saving changed; bits 4 to 7 are reserved and kept.
    """

    date_time: DateTime
    day_of_week: int | None
    fractions256: int
    adjust_reason: int
    trailing: bytes = b""

    @classmethod
    def of(cls, when: datetime, reason: int = 0) -> "CurrentTime":
        """The wall time that `when` shows in its own zone, cut to 1/256 s."""
        return cls(DateTime.of(when), when.isoweekday(), when.microsecond * 256 // 1_000_000, reason)

    def naive(self) -> datetime | None:
        """The wall time, or None where a part is unknown or cannot be."""
        whole = self.date_time.naive()
        return whole and whole.replace(microsecond=self.fractions256 * 1_000_000 // 256)

    @property
    def adjusted_by(self) -> tuple[str, ...]:
        words = ("set by hand", "outside reference", "zone changed", "daylight saving changed")
        return tuple(word for bit, word in enumerate(words) if self.adjust_reason >> bit & 1)


def parse_date_time(value: bytes) -> DateTime:
    """0x2A08, 7 octets. Raises ParseError."""
    return DateTime.sent(*_DATE_TIME.read(value))


def build_date_time(value: DateTime | datetime) -> bytes:
    """Seven octets. Raises ValueError when a part does not fit its octets."""
    stamp = value if isinstance(value, DateTime) else DateTime.of(value)
    return _DATE_TIME.build(stamp.fields(), stamp.trailing)


def parse_current_time(value: bytes) -> CurrentTime:
    """0x2A2B, 10 octets. Raises ParseError."""
    *stamp, weekday, fractions, reason, trailing = _CURRENT_TIME.read(value)
    return CurrentTime(
        date_time=DateTime.sent(*stamp),
        day_of_week=weekday or None,
        fractions256=fractions,
        adjust_reason=reason,
        trailing=trailing,
    )


def build_current_time(when: datetime | CurrentTime, fractions256: int | None = None, reason: int = 0) -> bytes:
    """Ten octets.

    when: a clock value, or the wall time to set (a zone is not sent: the wall time shown in it is).
    fractions256: 1/256 s, from the microseconds when not given. It and `reason` only matter for a datetime.
    Raises ValueError when a part does not fit its octets.
    """
    if isinstance(when, datetime):
        when = CurrentTime.of(when, reason)
        if fractions256 is not None:
            when = CurrentTime(when.date_time, when.day_of_week, fractions256, reason)
    fields = {
        "date_time": when.date_time.fields(),
        "day_of_week": when.day_of_week or 0,
        "fractions256": when.fractions256,
        "adjust_reason": when.adjust_reason,
    }
    return _CURRENT_TIME.build(fields, when.trailing)


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

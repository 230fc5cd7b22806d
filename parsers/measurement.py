"""Blood Pressure Measurement 0x2A35: one finished measurement, exactly as the cuff sent it.

Source: GATT Specification Supplement, "Blood Pressure Measurement"; Blood Pressure Service, the section
of the characteristic. Reserved bits are ignored and kept, octets beyond the last field are kept.
"""

from datetime import datetime
from decimal import Decimal
from typing import NamedTuple

from parsers.declaration import Layout
from parsers.pressure import COMPOUND, ENHANCED, KPA, Unit, enhanced_flags, epoch_of, true_flags
from parsers.sfloat import SFloat
from parsers.stamps import DateTime, EpochTime
from parsers.status import Status
from parsers.uuids import Uuid

UNKNOWN_USER = 255
"""The User ID by which a cuff says that it does not know who was measured. No User ID at all is None."""

_COMPOUND = Layout(COMPOUND)
_sfloat, _status = SFloat.from_word, Status.from_word


class Measurement(NamedTuple):
    """One value of 0x2A35 or 0x2B34; a tuple, as thousands are made. Pressures in `unit`, pulse in beats per minute.

    stamp: wall time (0x2A35) or seconds of the cuff's base clock (0x2B34). user_facing: 0x2B34 only,
    what the cuff's display showed. user_id: None absent, 255 unknown user, else a slot of this cuff, also 0.
    flags: as sent, reserved bits included. trailing: octets after the last known field.
    """

    flags: int
    unit: Unit
    systolic: SFloat
    diastolic: SFloat
    mean: SFloat
    stamp: DateTime | EpochTime | None
    user_facing: EpochTime | None
    pulse: SFloat | None
    user_id: int | None
    status: Status | None
    trailing: bytes = b""
    characteristic: Uuid = Uuid.BLOOD_PRESSURE_MEASUREMENT

    @property
    def failed(self) -> bool:
        """Neither pressure was obtained: an attempt, not a reading."""
        return self.systolic.absence is not None and self.diastolic.absence is not None

    @property
    def reserved_flags(self) -> int:
        """The bits of the flags whose meaning is not defined, in place."""
        return self.flags & (0x80 if self.characteristic is Uuid.ENHANCED_MEASUREMENT else 0xE0)


def parse_measurement(value: bytes) -> Measurement:
    """0x2A35, 7 to 19 octets. Raises ParseError."""
    (flags, systolic, diastolic, mean, year, month, day, hour, minute, second, pulse, user_id, status, trailing) = (
        _COMPOUND.read(value)
    )
    return Measurement(  # by place: naming each field takes three times as long
        flags,
        Unit.KPA if flags & KPA else Unit.MMHG,
        _sfloat(systolic),
        _sfloat(diastolic),
        _sfloat(mean),
        None if year is None else DateTime.sent(year, month, day, hour, minute, second),
        None,
        None if pulse is None else _sfloat(pulse),
        user_id,
        None if status is None else _status(status),
        trailing,
    )


def build_measurement(m: Measurement) -> bytes:
    """The octets of 0x2A35. What is there decides what the flags announce; reserved bits are sent as kept.

    Raises ValueError when it carries times that only the enhanced format can hold, or a number does not fit.
    """
    if isinstance(m.stamp, EpochTime) or m.user_facing is not None:
        raise ValueError("seconds since an epoch go into the enhanced measurement only")
    return _COMPOUND.build(
        {
            "flags": true_flags(m.flags, m.unit, m.stamp, m.pulse, m.user_id, m.status),
            "systolic": m.systolic.word,
            "diastolic": m.diastolic.word,
            "mean": m.mean.word,
            "stamp": m.stamp and m.stamp.fields(),
            "pulse": m.pulse and m.pulse.word,
            "user_id": m.user_id,
            "status": m.status and m.status.raw,
        },
        m.trailing,
    )


def measurement(
    systolic: Decimal | int | str | SFloat,
    diastolic: Decimal | int | str | SFloat,
    mean: Decimal | int | str | SFloat | None = None,
    *,
    unit: Unit = Unit.MMHG,
    stamp: datetime | DateTime | None = None,
    pulse: Decimal | int | str | SFloat | None = None,
    user_id: int | None = None,
    status: Status | int | None = None,
) -> Measurement:
    """A measurement as a cuff would send it: numbers keep their precision, no mean is sent as NaN."""
    if isinstance(stamp, datetime):
        stamp = DateTime.of(stamp)
    if isinstance(status, int):
        status = Status(status)
    number = None if pulse is None else _number(pulse)
    return Measurement(
        flags=true_flags(0, unit, stamp, number, user_id, status),
        unit=unit,
        systolic=_number(systolic),
        diastolic=_number(diastolic),
        mean=SFloat.absent() if mean is None else _number(mean),
        stamp=stamp,
        user_facing=None,
        pulse=number,
        user_id=user_id,
        status=status,
    )


def _number(number: Decimal | int | str | SFloat) -> SFloat:
    return number if isinstance(number, SFloat) else SFloat.of(number)


_ENHANCED = Layout(ENHANCED)


def parse_enhanced(value: bytes) -> Measurement:
    """0x2B34, 7 to 20 octets. Raises ParseError."""
    (flags, systolic, diastolic, mean, stamp, pulse, user_id, status, user_facing, trailing) = _ENHANCED.read(value)
    epoch = epoch_of(flags)
    return Measurement(
        flags=flags,
        unit=Unit.KPA if flags & KPA else Unit.MMHG,
        systolic=SFloat.from_word(systolic),
        diastolic=SFloat.from_word(diastolic),
        mean=SFloat.from_word(mean),
        stamp=None if stamp is None else EpochTime(stamp, epoch),
        user_facing=None if user_facing is None else EpochTime(user_facing, epoch),
        pulse=None if pulse is None else SFloat.from_word(pulse),
        user_id=user_id,
        status=None if status is None else Status.from_word(status),
        trailing=trailing,
        characteristic=Uuid.ENHANCED_MEASUREMENT,
    )


def build_enhanced(m: Measurement) -> bytes:
    """The octets of 0x2B34. What is there decides what the flags announce; reserved bits are sent as kept.

    Raises ValueError when a time is not in seconds since one epoch, or a number does not fit.
    """
    flags = true_flags(m.flags, m.unit, m.stamp, m.pulse, m.user_id, m.status)
    return _ENHANCED.build(
        {
            "flags": enhanced_flags(flags, m.stamp, m.user_facing),
            "systolic": m.systolic.word,
            "diastolic": m.diastolic.word,
            "mean": m.mean.word,
            "stamp": m.stamp.seconds if isinstance(m.stamp, EpochTime) else None,
            "pulse": m.pulse and m.pulse.word,
            "user_id": m.user_id,
            "status": m.status and m.status.raw,
            "user_facing": m.user_facing and m.user_facing.seconds,
        },
        m.trailing,
    )

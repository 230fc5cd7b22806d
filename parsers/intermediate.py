"""The pressure in the cuff while it fills and empties: 0x2A36 and 0x2B35. Never a measurement.

Source: GATT Specification Supplement, "Intermediate Cuff Pressure", "Enhanced Intermediate Cuff Pressure".
"""

from dataclasses import dataclass

from parsers.declaration import Layout
from parsers.pressure import COMPOUND, ENHANCED_CUFF, KPA, Unit, enhanced_flags, epoch_of, true_flags
from parsers.sfloat import SFloat
from parsers.stamps import DateTime, EpochTime
from parsers.status import Status
from parsers.uuids import Uuid

_COMPOUND, _ENHANCED_CUFF = Layout(COMPOUND), Layout(ENHANCED_CUFF)


@dataclass(frozen=True, slots=True)
class CuffPressure:
    """One pressure on the way, in `unit`.

    unused: the diastolic and mean places of 0x2A36, which should hold NaN and on some cuffs hold 0;
    None for 0x2B35, which has no such places. The other fields as in a Measurement.
    """

    flags: int
    unit: Unit
    pressure: SFloat
    unused: tuple[SFloat, SFloat] | None
    stamp: DateTime | EpochTime | None
    user_facing: EpochTime | None
    pulse: SFloat | None
    user_id: int | None
    status: Status | None
    trailing: bytes = b""
    characteristic: Uuid = Uuid.INTERMEDIATE_CUFF_PRESSURE


def parse_intermediate(value: bytes) -> CuffPressure:
    """0x2A36, 7 to 19 octets. Raises ParseError."""
    flags, pressure, second, third, *stamp, pulse, user_id, status, trailing = _COMPOUND.read(value)
    return CuffPressure(
        flags=flags,
        unit=Unit.KPA if flags & KPA else Unit.MMHG,
        pressure=SFloat.from_word(pressure),
        unused=(SFloat.from_word(second), SFloat.from_word(third)),
        stamp=None if stamp[0] is None else DateTime.sent(*stamp),
        user_facing=None,
        pulse=None if pulse is None else SFloat.from_word(pulse),
        user_id=user_id,
        status=None if status is None else Status.from_word(status),
        trailing=trailing,
    )


def build_intermediate(cuff: CuffPressure) -> bytes:
    """The octets of 0x2A36; unused places that are None are sent as NaN. Raises ValueError."""
    if isinstance(cuff.stamp, EpochTime) or cuff.user_facing is not None:
        raise ValueError("seconds since an epoch go into the enhanced cuff pressure only")
    second_place, third_place = cuff.unused or (SFloat.absent(), SFloat.absent())
    return _COMPOUND.build(
        {
            "flags": _flags(cuff),
            "systolic": cuff.pressure.word,
            "diastolic": second_place.word,
            "mean": third_place.word,
            "stamp": cuff.stamp and cuff.stamp.fields(),
            "pulse": cuff.pulse and cuff.pulse.word,
            "user_id": cuff.user_id,
            "status": cuff.status and cuff.status.raw,
        },
        cuff.trailing,
    )


def parse_enhanced_intermediate(value: bytes) -> CuffPressure:
    """0x2B35, 3 to 16 octets. Raises ParseError."""
    flags, pressure, stamp, pulse, user_id, status, user_facing, trailing = _ENHANCED_CUFF.read(value)
    epoch = epoch_of(flags)
    return CuffPressure(
        flags=flags,
        unit=Unit.KPA if flags & KPA else Unit.MMHG,
        pressure=SFloat.from_word(pressure),
        unused=None,
        stamp=None if stamp is None else EpochTime(stamp, epoch),
        user_facing=None if user_facing is None else EpochTime(user_facing, epoch),
        pulse=None if pulse is None else SFloat.from_word(pulse),
        user_id=user_id,
        status=None if status is None else Status.from_word(status),
        trailing=trailing,
        characteristic=Uuid.ENHANCED_INTERMEDIATE,
    )


def build_enhanced_intermediate(cuff: CuffPressure) -> bytes:
    """The octets of 0x2B35. Raises ValueError when a time is not in seconds, or a number does not fit."""
    flags = enhanced_flags(_flags(cuff), cuff.stamp, cuff.user_facing)
    return _ENHANCED_CUFF.build(
        {
            "flags": flags,
            "pressure": cuff.pressure.word,
            "stamp": cuff.stamp.seconds if isinstance(cuff.stamp, EpochTime) else None,
            "pulse": cuff.pulse and cuff.pulse.word,
            "user_id": cuff.user_id,
            "status": cuff.status and cuff.status.raw,
            "user_facing": cuff.user_facing and cuff.user_facing.seconds,
        },
        cuff.trailing,
    )


def _flags(cuff: CuffPressure) -> int:
    return true_flags(cuff.flags, cuff.unit, cuff.stamp, cuff.pulse, cuff.user_id, cuff.status)

"""The shape that all pressure values of the service share: flags, SFLOATs, then what the flags announce.

Source: GATT Specification Supplement, "Blood Pressure Measurement", "Intermediate Cuff Pressure",
"Enhanced Blood Pressure Measurement", "Enhanced Intermediate Cuff Pressure".
"""

from enum import Enum

from construct import If, Int8ul, Int16ul, Int32ul, Struct, this

from parsers.stamps import DATE_TIME, EpochTime


class Unit(Enum):
    """The unit of all pressures in a value."""

    MMHG = "mmHg"
    KPA = "kPa"


KPA, STAMP, PULSE, USER, STATUS, USER_FACING, EPOCH_2000 = (1 << bit for bit in range(7))
"""Bits of the flags. The last two stand in the enhanced formats only, and are reserved in the others."""

_PRESSURES = ("systolic" / Int16ul, "diastolic" / Int16ul, "mean" / Int16ul)
_ANNOUNCED = (
    "pulse" / If(this.flags & PULSE, Int16ul),
    "user_id" / If(this.flags & USER, Int8ul),
    "status" / If(this.flags & STATUS, Int16ul),
)
_EPOCH_STAMP = "stamp" / If(this.flags & STAMP, Int32ul)
_USER_FACING = "user_facing" / If(this.flags & USER_FACING, Int32ul)

COMPOUND = Struct("flags" / Int8ul, *_PRESSURES, "stamp" / If(this.flags & STAMP, DATE_TIME), *_ANNOUNCED)
"""0x2A35, and 0x2A36 with the cuff pressure in the place of the systolic one. At most 19 octets."""

ENHANCED = Struct("flags" / Int8ul, *_PRESSURES, _EPOCH_STAMP, *_ANNOUNCED, _USER_FACING)
"""0x2B34, at most 20 octets."""

ENHANCED_CUFF = Struct("flags" / Int8ul, "pressure" / Int16ul, _EPOCH_STAMP, *_ANNOUNCED, _USER_FACING)
"""0x2B35, at most 16 octets."""


def epoch_of(flags: int) -> int:
    return 2000 if flags & EPOCH_2000 else 1900


def true_flags(flags: int, unit: Unit, stamp: object, pulse: object, user_id: object, status: object) -> int:
    """`flags` with the bits of what is announced set by what is there; reserved bits stay as they are."""
    announced = (
        (KPA, unit is Unit.KPA),
        (STAMP, stamp is not None),
        (PULSE, pulse is not None),
        (USER, user_id is not None),
        (STATUS, status is not None),
    )
    for bit, there in announced:
        flags = flags | bit if there else flags & ~bit
    return flags


def enhanced_flags(flags: int, stamp: object, user_facing: object) -> int:
    """The two bits that only the enhanced formats have.

    Raises ValueError where the times count from different epochs, for which there is one bit only.
    """
    for time in (stamp, user_facing):
        if time is not None and not isinstance(time, EpochTime):
            raise ValueError("an enhanced value carries its times as seconds since an epoch")
    epochs = {time.epoch for time in (stamp, user_facing) if isinstance(time, EpochTime)}
    if len(epochs) > 1 or not epochs <= {1900, 2000}:
        raise ValueError("the times of an enhanced value count from one epoch, 1900 or 2000")
    if epochs:
        flags = flags | EPOCH_2000 if 2000 in epochs else flags & ~EPOCH_2000
    return flags | USER_FACING if user_facing is not None else flags & ~USER_FACING

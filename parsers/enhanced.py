"""Enhanced Blood Pressure Measurement 0x2B34: as 0x2A35, with times in seconds since an epoch.

Source: GATT Specification Supplement, "Enhanced Blood Pressure Measurement" (Blood Pressure Service 1.1).
"""

from parsers.declaration import Layout
from parsers.measurement import Measurement
from parsers.pressure import ENHANCED, KPA, Unit, enhanced_flags, epoch_of, true_flags
from parsers.sfloat import SFloat
from parsers.stamps import EpochTime
from parsers.status import Status
from parsers.uuids import Uuid

_ENHANCED = Layout(ENHANCED)


def parse_enhanced(value: bytes) -> Measurement:
    """0x2B34, 7 to 20 octets. Raises ParseError."""
    (flags, systolic, diastolic, mean, stamp, pulse, user_id, status, user_facing, trailing) = _ENHANCED.read(value)
    epoch = epoch_of(flags)
    return Measurement(
        flags,
        Unit.KPA if flags & KPA else Unit.MMHG,
        SFloat.from_word(systolic),
        SFloat.from_word(diastolic),
        SFloat.from_word(mean),
        None if stamp is None else EpochTime(stamp, epoch),
        None if user_facing is None else EpochTime(user_facing, epoch),
        None if pulse is None else SFloat.from_word(pulse),
        user_id,
        None if status is None else Status.from_word(status),
        trailing,
        Uuid.ENHANCED_MEASUREMENT,
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

"""One value of a characteristic to what it says: a measurement, a cuff pressure, or nothing that can be read.

Pure. The rules for odd values follow the HL7 Personal Health Device implementation guide (special values)
and the profile (reserved bits are ignored); that a measurement without both pressures is an attempt is common
practice, no source.
"""

from dataclasses import dataclass
from datetime import datetime
from decimal import Decimal
from functools import lru_cache
from typing import NamedTuple

from collector.intake.sources.hand_log import HAND_CHARACTERISTIC, HandRow, plain_number
from collector.store.instants import wall_us
from collector.store.readings.write import stored
from collector.store.values import exact_mmhg
from parsers import plausible
from parsers.errors import ParseError
from parsers.intermediate import parse_enhanced_intermediate, parse_intermediate
from parsers.measurement import Measurement, parse_enhanced, parse_measurement
from parsers.pressure import Unit
from parsers.sfloat import SFloat
from parsers.stamps import DateTime
from parsers.uuids import Uuid


class Content(NamedTuple):
    """What a measurement says, whatever encoding it came in.

    As the store keeps it (`stored`). pressures, pulse: decimal text as sent, None where the cuff obtained no value.
    status: words joined by ';'. stamp: the cuff's wall clock as ISO text, unknown parts as dashes; None for no stamp.
    stamp_us: the same in microseconds since 1970 of that clock, None where it names no second. clock: 'wall' what the
    display showed, 'base' the clock behind it. identity: equal for equal content in any encoding.
    """

    slot: int | None
    systolic: str | None
    diastolic: str | None
    mean: str | None
    unit: str
    pulse: str | None
    status: str
    status_raw: int | None
    stamp: str | None
    stamp_us: int | None
    clock: str | None
    marks: tuple[str, ...]
    identity: str
    note: str | None = None
    by_hand: datetime | None = None  # hand-written: when, as it was written


@dataclass(frozen=True, slots=True)
class Pressure:
    """A cuff pressure while inflating: no reading."""


@dataclass(frozen=True, slots=True)
class Undecodable:
    reason: str


def decode(characteristic: int, value: bytes) -> Content | Pressure | Undecodable:
    """Never raises, whatever the bytes. Segments of stored records are joined elsewhere."""
    try:
        if characteristic == Uuid.BLOOD_PRESSURE_MEASUREMENT:
            return content(parse_measurement(value))
        if characteristic == Uuid.ENHANCED_MEASUREMENT:
            return content(parse_enhanced(value))
        if characteristic == HAND_CHARACTERISTIC:
            return by_hand(HandRow.parse(value))
        if characteristic == Uuid.INTERMEDIATE_CUFF_PRESSURE:
            parse_intermediate(value)
            return Pressure()
        if characteristic == Uuid.ENHANCED_INTERMEDIATE:
            parse_enhanced_intermediate(value)
            return Pressure()
    except ParseError as error:
        return Undecodable(str(error))
    return Undecodable(f"characteristic {characteristic:#06x} spans no measurement")


def content(measurement: Measurement) -> Content:
    """What a parsed measurement says."""
    systolic, diastolic, mean = measurement.systolic, measurement.diastolic, measurement.mean
    unit = "kPa" if measurement.unit is Unit.KPA else "mmHg"
    status = measurement.status
    raw = None if status is None else status.raw
    pulse = None if measurement.pulse is None else measurement.pulse.value
    wall, stamp, clock = _stamp(measurement)
    identity = (
        f"{measurement.user_id}|{unit}|{_numeric(systolic)}|{_numeric(diastolic)}|{_numeric(mean)}|"
        f"{_numeric(measurement.pulse)}|{raw}"
    )
    marks = ("failed",) if measurement.failed else _implausible(systolic.value, diastolic.value, pulse, unit)
    return Content(
        slot=measurement.user_id,
        systolic=stored(systolic.value),
        diastolic=stored(diastolic.value),
        mean=stored(mean.value),
        unit=unit,
        pulse=stored(pulse),
        status="" if status is None else stored(status.words()),
        status_raw=raw,
        stamp=stamp,
        stamp_us=None if wall is None else wall_us(wall),
        clock=clock,
        marks=marks,
        identity=identity,
    )


def by_hand(row: HandRow) -> Content:
    """What a line of a hand-written log says."""
    return Content(
        slot=None,
        systolic=stored(row.systolic),
        diastolic=stored(row.diastolic),
        mean=None,
        unit="mmHg",
        pulse=stored(row.pulse),
        status="",
        status_raw=None,
        stamp=row.stamp,
        stamp_us=None,
        clock=None,
        marks=("failed",) if row.systolic is None else _implausible(row.systolic, row.diastolic, row.pulse, "mmHg"),
        identity=row.identity,
        note=row.note,
        by_hand=row.taken_at,
    )


def _stamp(measurement: Measurement) -> tuple[datetime | None, str | None, str | None]:
    """(wall time or None, text or None, which clock or None)."""
    time = measurement.user_facing or measurement.stamp
    if time is None:
        return None, None, None
    wall = time.naive()
    if wall is None and isinstance(time, DateTime) and not any(time.fields().values()):
        # All zero: a clock that was never set says nothing, not even 'the same again'.
        return None, None, None
    base = measurement.user_facing is None and not isinstance(time, DateTime)
    return wall, str(time), "base" if base else "wall"


def _implausible(
    systolic: Decimal | None, diastolic: Decimal | None, pulse: Decimal | None, unit: str
) -> tuple[str, ...]:
    found = plausible.marks(exact_mmhg(systolic, unit), exact_mmhg(diastolic, unit), pulse)
    return ("implausible",) if found else ()


@lru_cache(maxsize=4096)
def _numeric(number: SFloat | None) -> str:
    """Equal for equal numbers whatever their precision: 120 and 120.0 are one value in two encodings."""
    if number is None:
        return "None"
    if number.value is None:
        return number.absence.name if number.absence else "None"
    return plain_number(number.value)

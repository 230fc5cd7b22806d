"""One value of a characteristic to what it says: a measurement, a cuff pressure, or nothing that can be read.

Pure. The rules for odd values follow the HL7 Personal Health Device implementation guide (special values)
and the profile (reserved bits are ignored); that a measurement without both pressures is an attempt is common
practice, no source.
"""

from collections.abc import Callable
from dataclasses import dataclass
from datetime import datetime
from decimal import Decimal
from functools import lru_cache
from typing import NamedTuple

from collector.intake.reading_ids import stamped_id
from collector.intake.sources.hand_log import HAND_CHARACTERISTIC, HandRow, plain_number
from collector.intake.time.zones import wall_us
from collector.store.readings.write import stored
from collector.store.values import exact_mmhg
from parsers import plausible
from parsers.errors import ParseError
from parsers.intermediate import CuffPressure, parse_enhanced_intermediate, parse_intermediate
from parsers.measurement import Measurement, parse_enhanced, parse_measurement
from parsers.sfloat import SFloat
from parsers.stamps import DateTime
from parsers.status import Status
from parsers.uuids import Uuid


class Content(NamedTuple):
    """What a measurement says, whatever encoding it came in.

    As the store keeps it (`stored`), up to `note` in the order of its rows. pressures, pulse: decimal text as sent,
    None where the cuff obtained no value. status: words joined by ';'. stamp: the cuff's wall clock as ISO text,
    unknown parts as dashes; None for no stamp. stamp_us: the same in microseconds since 1970 of that clock, None where
    it names no second. clock: 'wall' what the display showed, 'base' the clock behind it. identity: equal for equal
    content in any encoding.
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
    note: str | None
    stamp_us: int | None
    clock: str | None
    marks: tuple[str, ...]
    identity: str
    by_hand: datetime | None = None  # hand-written: when, as it was written

    def known_as(self, cuff: str) -> str | None:
        """The id of the reading of this cuff that it is; None without a stamp."""
        return None if self.stamp is None else stamped_id(cuff, self.stamp, self.clock, self.identity)


@dataclass(frozen=True, slots=True)
class Pressure:
    """A cuff pressure while inflating: no reading."""


@dataclass(frozen=True, slots=True)
class Undecodable:
    reason: str


def decode(characteristic: int, value: bytes) -> Content | Pressure | Undecodable:
    """Never raises, whatever the bytes. Segments of stored records are joined elsewhere."""
    read = _READ_BY.get(characteristic)
    if read is None:
        return Undecodable(f"characteristic {characteristic:#06x} spans no measurement")
    try:
        return read(value)
    except ParseError as error:
        return Undecodable(str(error))


def content(measurement: Measurement) -> Content:
    """What a parsed measurement says."""
    unit, status, pulse = measurement.unit.value, measurement.status, measurement.pulse
    raw = None if status is None else status.raw
    systolic, systolic_in_id = _written(measurement.systolic.word)
    diastolic, diastolic_in_id = _written(measurement.diastolic.word)
    mean, mean_in_id = _written(measurement.mean.word)
    rate, rate_in_id = (None, "None") if pulse is None else _written(pulse.word)
    wall, stamp, clock = _stamp(measurement)
    return Content(
        slot=measurement.user_id,
        systolic=systolic,
        diastolic=diastolic,
        mean=mean,
        unit=unit,
        pulse=rate,
        status="" if raw is None else _flagged(raw),
        status_raw=raw,
        stamp=stamp,
        note=None,
        stamp_us=None if wall is None else wall_us(wall),
        clock=clock,
        marks=("failed",)
        if measurement.failed
        else _implausible(
            measurement.systolic.value, measurement.diastolic.value, None if pulse is None else pulse.value, unit
        ),
        identity=f"{measurement.user_id}|{unit}|{systolic_in_id}|{diastolic_in_id}|{mean_in_id}|{rate_in_id}|{raw}",
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
        note=row.note,
        stamp_us=None,
        clock=None,
        marks=("failed",) if row.systolic is None else _implausible(row.systolic, row.diastolic, row.pulse, "mmHg"),
        identity=row.identity,
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
    return wall, str(time) if wall is None else wall.isoformat(), "base" if base else "wall"


def _implausible(
    systolic: Decimal | None, diastolic: Decimal | None, pulse: Decimal | None, unit: str
) -> tuple[str, ...]:
    if unit != "mmHg":
        systolic, diastolic = exact_mmhg(systolic, unit), exact_mmhg(diastolic, unit)
    return ("implausible",) if plausible.implausible(systolic, diastolic, pulse) else ()


@lru_cache(maxsize=4096)
def _written(word: int) -> tuple[str | None, str]:
    """An SFLOAT as a column keeps it and as an identity does: equal for equal numbers whatever their precision, as
    120 and 120.0 are one value in two encodings."""
    number = SFloat(word)
    absent = number.absence.name if number.absence else "None"
    return stored(number.value), absent if number.value is None else plain_number(number.value)


@lru_cache(maxsize=1024)
def _flagged(raw: int) -> str:
    return ";".join(Status.from_word(raw).words())


def _pressure(parse: Callable[[bytes], CuffPressure]) -> Callable[[bytes], Pressure]:
    def read(value: bytes) -> Pressure:
        parse(value)
        return Pressure()

    return read


_READ_BY: dict[int, Callable[[bytes], Content | Pressure]] = {
    Uuid.BLOOD_PRESSURE_MEASUREMENT: lambda value: content(parse_measurement(value)),
    Uuid.ENHANCED_MEASUREMENT: lambda value: content(parse_enhanced(value)),
    HAND_CHARACTERISTIC: lambda value: by_hand(HandRow.parse(value)),
    Uuid.INTERMEDIATE_CUFF_PRESSURE: _pressure(parse_intermediate),
    Uuid.ENHANCED_INTERMEDIATE: _pressure(parse_enhanced_intermediate),
}

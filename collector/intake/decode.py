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
from collector.store.instants import SECOND
from collector.store.readings.write import stored
from collector.store.values import exact_mmhg
from parsers import plausible
from parsers.errors import ParseError
from parsers.intermediate import CuffPressure, parse_enhanced_intermediate, parse_intermediate
from parsers.measurement import Measurement, parse_enhanced, parse_measurement
from parsers.pressure import Unit
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
    as_was: bool = False  # as `HandRow`

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
    status, pulse, slot = measurement.status, measurement.pulse, measurement.user_id
    raw = None if status is None else status.raw
    systolic, diastolic, unit, pressures_in_id, marks = _pressures(
        measurement.systolic.word, measurement.diastolic.word, measurement.unit is Unit.KPA
    )
    mean, mean_in_id = _written(measurement.mean.word)
    rate, rate_in_id, odd = (None, "None", ()) if pulse is None else _pulse(pulse.word)
    stamp, stamp_us, clock = _stamp(measurement)
    return Content(  # by place: naming each takes three times as long
        slot,
        systolic,
        diastolic,
        mean,
        unit,
        rate,
        "" if raw is None else _flagged(raw),
        raw,
        stamp,
        None,
        stamp_us,
        clock,
        _FAILED if measurement.failed else marks or odd,
        f"{slot}|{pressures_in_id}|{mean_in_id}|{rate_in_id}|{raw}",
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
        marks=_FAILED if row.systolic is None else _implausible(row.systolic, row.diastolic, row.pulse, "mmHg"),
        identity=row.identity,
        by_hand=row.taken_at,
        as_was=row.as_was,
    )


def _stamp(measurement: Measurement) -> tuple[str | None, int | None, str | None]:
    """As `stamp`, `stamp_us` and `clock` of a content."""
    time = measurement.user_facing or measurement.stamp
    if time is None:
        return None, None, None
    shown = time.shown()
    if shown is None and isinstance(time, DateTime) and not any(time.fields().values()):
        # All zero: a clock that was never set says nothing, not even 'the same again'.
        return None, None, None
    clock = "wall" if measurement.user_facing is not None or isinstance(time, DateTime) else "base"
    return str(time), None if shown is None else shown * SECOND, clock


_FAILED = ("failed",)


def _implausible(
    systolic: Decimal | None, diastolic: Decimal | None, pulse: Decimal | None, unit: str
) -> tuple[str, ...]:
    if unit != "mmHg":
        systolic, diastolic = exact_mmhg(systolic, unit), exact_mmhg(diastolic, unit)
    return ("implausible",) if plausible.implausible(systolic, diastolic, pulse) else ()


@lru_cache(maxsize=4096)
def _pressures(
    systolic_word: int, diastolic_word: int, in_kpa: bool
) -> tuple[str | None, str | None, str, str, tuple[str, ...]]:
    """Two pressures as columns keep them, their unit, all this as an identity has it, and the marks they give."""
    unit = (Unit.KPA if in_kpa else Unit.MMHG).value
    (systolic, systolic_in_id), (diastolic, diastolic_in_id) = _written(systolic_word), _written(diastolic_word)
    one, other = SFloat(systolic_word), SFloat(diastolic_word)
    marks = _implausible(one.value, other.value, None, unit)
    return systolic, diastolic, unit, f"{unit}|{systolic_in_id}|{diastolic_in_id}", marks


@lru_cache(maxsize=4096)
def _pulse(word: int) -> tuple[str | None, str, tuple[str, ...]]:
    """A pulse as a column keeps it, as an identity does, and the marks it gives."""
    return *_written(word), _implausible(None, None, SFloat(word).value, "mmHg")


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

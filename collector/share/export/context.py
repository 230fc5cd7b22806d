"""What a writer of open formats needs to know besides the readings: whose, from which cuff, through which gateway.

Plain values that the caller fills from the store. Everything is optional; what is not known is left out or
written as unknown, never guessed.
"""

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field
from datetime import date, datetime
from decimal import Decimal
from typing import Any

from collector.store.values import MMHG_PER_KPA, Reading


class ExchangeError(Exception):
    """What was handed in cannot be read, or what was asked cannot be written; one line for a person."""


HAND = "hand"
"""The cuff of readings that somebody wrote down."""


@dataclass(frozen=True, slots=True)
class ExportedCuff:
    """What a cuff says about itself. system_id: the eight octets of the System ID characteristic as sent."""

    address: str
    system_id: bytes | None = None
    manufacturer: str | None = None
    model: str | None = None
    serial: str | None = None
    firmware: str | None = None
    hardware: str | None = None
    software: str | None = None


@dataclass(frozen=True, slots=True)
class ExportedClock:
    """The cuff's clock read beside ours. cuff_clock: wall time without zone, None where it showed none.

    number: its own within an export, small.
    """

    number: int
    cuff: str
    at: datetime  # ours, aware, in the station's zone
    cuff_clock: datetime | None


@dataclass(frozen=True, slots=True)
class Subject:
    """How a person is called by the receiver: an identifier and the system that gave it out.

    kind: code of HL7 table 0203, such as 'MR' for a medical record number.
    """

    system: str
    value: str
    kind: str = "MR"


@dataclass(frozen=True, slots=True)
class AverageResult:
    """An average that was computed, mmHg and beats per minute. start, end: first and last day's bounds."""

    person: str | None
    protocol: str
    systolic: Decimal
    diastolic: Decimal
    count: int
    start: datetime
    end: datetime
    computed_at: datetime
    reading_ids: tuple[str, ...]
    pulse: Decimal | None = None


@dataclass(frozen=True, slots=True)
class Latest:
    """A person's most recent series, its days, and its average where it is long enough. uid: names the person at
    whatever station. page: makes the page for the chart, a PDF."""

    person: str
    uid: str
    first: date | None
    last: date | None
    result: AverageResult | None
    page: Callable[[], bytes]


@dataclass(frozen=True, slots=True)
class ExportContext:
    """The surroundings of an export.

    station: hex name of this station; station_of: of the one that received a reading, where there are several.
    subjects: by person; whoever is missing is identified by the name used here. absent: why a reading's missing
    values are missing, as 'systolic': 'not-a-number' (codes of HL7's data-absent-reason); asked only for readings
    that lack some. clock_reading: where the cuff's clock stood at the visit that brought the reading. batch: readings
    in a FHIR Bundle, at most, one Bundle a line; 0: one Bundle of all. plans: what the configuration says of a person,
    by name. latest: the most recent series of these people, of everybody if none are named.
    """

    station: str = ""
    station_of: Callable[[Reading], str] | None = None
    version: str = ""
    cuffs: Mapping[str, ExportedCuff] = field(default_factory=dict)
    clock_reading: Callable[[Reading], ExportedClock | None] = lambda _: None
    subjects: Mapping[str, Subject] = field(default_factory=dict)
    averages: Sequence[AverageResult] = ()
    absent: Callable[[Reading], Mapping[str, str]] = lambda _: {}
    batch: int = 0
    plans: Mapping[str, Mapping[str, Any]] = field(default_factory=dict)
    latest: Callable[[Sequence[str]], list[Latest]] = lambda _: []


def mmhg(value: Decimal, unit: str) -> Decimal:
    """The pressure in mmHg, with as many decimals as it was sent with: tells apart what the cuff told apart."""
    if unit != "kPa":
        return value
    exponent = value.as_tuple().exponent
    assert isinstance(exponent, int), "a pressure is a finite number"
    return (value * MMHG_PER_KPA).quantize(Decimal(1).scaleb(min(exponent, 0)))

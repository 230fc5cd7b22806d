"""Everything that a report shows, as one value. Whoever makes it reads the store; nothing here does."""

from dataclasses import dataclass
from datetime import date, datetime

from collector.numbers.average import Average
from collector.numbers.change import Change
from collector.numbers.levels import LOW
from collector.numbers.office_home import Office
from collector.numbers.trend import Trend
from collector.numbers.values import Pressures, Sample


@dataclass(frozen=True, slots=True)
class RegimenChange:
    """A noted change of regimen."""

    day: date
    text: str


@dataclass(frozen=True, slots=True)
class CuffLine:
    """A cuff of the period, and in words how good its clock was."""

    name: str
    clock: str


@dataclass(frozen=True, slots=True)
class ReportData:
    """who: a name or a code, as chosen. samples: what the plot shows, the averaged period and as much before as wanted.
    preparation: what was confirmed of it, in words; empty where nobody asked. made_at: aware, in the person's zone.
    """

    who: str
    average: Average
    samples: tuple[Sample, ...]
    trend: Trend
    made_at: datetime
    change: Change | None = None
    notes: tuple[RegimenChange, ...] = ()
    cuffs: tuple[CuffLine, ...] = ()
    preparation: str = ""
    emergency: str = ""
    low: Pressures = LOW  # below this a reading is low: the plan's own value, else the usual one
    office: Office | None = None
    log_remarks: tuple[tuple[str, str], ...] = ()  # of a hand-written log, label and words
    very_high: tuple[Sample, ...] = ()  # of the averaged period, as those that are low
    lows: tuple[Sample, ...] = ()
    place: str = ""  # the clinic or station, if it wants to be named

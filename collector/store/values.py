"""What the store hands out: a reading as every other room knows it, and how to choose some."""

from collections.abc import Callable
from dataclasses import dataclass
from datetime import datetime
from decimal import Decimal
from enum import StrEnum

from collector.store.columns import column

Progress = Callable[[int, int], None]
"""Called with (done, of)."""

_SUPPLEMENT = "Bluetooth GATT Specification Supplement, Blood Pressure Measurement"

MMHG_PER_KPA = Decimal("7.500615758456564")
"""1 kPa = 1000/133.322387415 mmHg (UCUM defines mm[Hg] as 133.3220 Pa; the difference is 3 in a million)."""


def exact_mmhg(value: Decimal | None, unit: str) -> Decimal | None:
    """The pressure in mmHg, unrounded. unit: 'mmHg' or 'kPa'."""
    return value * MMHG_PER_KPA if value is not None and unit == "kPa" else value


UNITS = ("mmHg", "kPa")
_MOST = Decimal("20450000000")
"""2045 × 10^7, the greatest number that an SFLOAT holds (IEEE 11073-20601): nothing a cuff sends is beyond it."""
_FINEST = -8  # SFLOAT's least exponent


def can_be_sent(number: Decimal) -> bool:
    """Whether a cuff can have sent this number, below zero too; written out, others can fill the memory."""
    exponent = number.as_tuple().exponent
    if not isinstance(exponent, int):  # no number, or infinite
        return False
    return number.adjusted() <= _MOST.adjusted() and abs(number) <= _MOST and exponent >= 4 * _FINEST


class Basis(StrEnum):
    """How `taken_at` was come by."""

    CORRECTED = "cuff clock corrected"  # stamp moved by the difference of the two clocks, read in a visit
    ESTIMATED = "cuff clock estimated"  # stamp moved by an offset learned from live records
    CUFF = "cuff clock"  # stamp as sent, taken for local wall time
    ARRIVAL = "arrival"  # no usable stamp: when it reached us
    HAND = "hand-written"  # from a log somebody wrote


STRUCK_OUT = "struck out"
CORRECTED = "corrected"
HAND_COPY = "copy of a cuff's reading"
WRITTEN_TWICE = "written twice"
OVERTAKEN = "correction overtaken"
BOND_RENEWED = "bond renewed"
BOND_NOT_CONFIRMED = "bond not confirmed"
STANDING = "taken standing"
STRIKES = frozenset({STRUCK_OUT, CORRECTED, STANDING})
"""Marks that a person sets and takes back."""
COPIES = frozenset({HAND_COPY, WRITTEN_TWICE})
"""Marks of hand-written readings that are there once already."""
NOTED_AGAIN = COPIES | {CORRECTED, OVERTAKEN}
"""Marks of readings whose measurement another reading stands for."""
TAKEN_BACK = NOTED_AGAIN | {STRUCK_OUT}
"""Marks of readings that tell nothing of anybody: they were none, or are there once already."""
VOID_MARKS = STRIKES | COPIES | {OVERTAKEN, BOND_NOT_CONFIRMED}
"""Marks of readings that count nowhere: a person said so, they are there once already, or nobody has said yet that
the cuff which made a new bond is the one that had the bond before."""
CORRECTS = "corrects"
"""Begins the note of a hand-written reading that stands in the place of another: its id follows."""


class OutcomeKind(StrEnum):
    """What became of a payload."""

    READING = "reading"  # a sighting of one
    SEGMENT = "segment"  # part of one, or waiting for the rest
    PRESSURE = "pressure"  # while inflating: no reading
    UNDECODABLE = "undecodable"  # kept, with the reason
    OTHER = "other"  # kept, and no measurement by what discovery told of its place


@dataclass(frozen=True, slots=True)
class Reading:
    """One measurement, each once. Its columns are declared here and nowhere else: rows of exports, tables of databases,
    schemas and documents follow, in this order. A new one goes to the end."""

    reading_id: str = column("16 hex digits; the same reading has the same id at whatever station")
    cuff: str = column("Bluetooth address, `hand` for written logs")
    slot: int | None = column("the cuff's user; 255 is 'unknown user', none when none was sent", source=_SUPPLEMENT)
    person: str | None = column(
        "none for nobody's; with a handle behind the name (`mira#0b51f6aa`) where two people have it"
    )
    systolic: Decimal | None = column("as sent, in `unit`; none where the cuff obtained no value")
    diastolic: Decimal | None = column("as sent, in `unit`; none where the cuff obtained no value")
    mean: Decimal | None = column("mean arterial pressure as sent, in `unit`; none where the cuff obtained no value")
    unit: str = column("`mmHg` or `kPa`")
    pulse: Decimal | None = column("beats per minute", unit="/min")
    taken_at: datetime = column("when it was measured, with the offset of the place")
    taken_basis: Basis = column("how that time was come by")
    taken_uncertainty_s: float | None = column("how far that time may be out; none: cannot be told", unit="s")
    received_at: datetime = column("first arrival, UTC")
    status: tuple[str, ...] = column("what the cuff flagged")
    features_known: bool = column("whether its feature bits were read; else no flag may mean 'not assessed'")
    sightings: int = column("how often it was sent, or came from another station")
    payload: str = column("the first payload, hex")
    assessed: tuple[str, ...] = column("the checks that the cuff makes at all, words as in `status`")
    stamp: str | None = column("the cuff's own stamp, unknown parts as dashes")
    marks: tuple[str, ...] = column("what quietcuff noticed, such as `implausible`, `autumn hour`")
    note: str | None = column("what somebody wrote beside it", default=None)
    status_raw: int | None = column("the status word as sent", source=_SUPPLEMENT, default=None)

    @property
    def clock_shown(self) -> datetime | None:
        """What the cuff's clock showed, without zone; None where it put no stamp on, or parts of it are unknown."""
        try:
            shown = None if self.stamp is None else datetime.fromisoformat(self.stamp)
        except ValueError:
            return None
        return shown if shown is not None and shown.tzinfo is None else None


@dataclass(frozen=True, slots=True)
class Selection:
    """Which readings. Bounds are aware; since is included, until is not. last keeps the newest N."""

    person: str | None = None
    cuff: str | None = None  # address or given name
    since: datetime | None = None
    until: datetime | None = None
    last: int | None = None
    unassigned: bool = False

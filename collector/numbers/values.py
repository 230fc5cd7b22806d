"""The values of this room: a reading as it is reckoned with, pairs of pressures, and how a number is printed.

Pressures are mmHg, pulses beats per minute. Means are Decimals, unrounded (28 digits); spreads are floats.
"""

from collections.abc import Iterable
from dataclasses import dataclass
from datetime import date, datetime
from decimal import ROUND_DOWN, ROUND_HALF_UP, Decimal, localcontext
from enum import StrEnum

from parsers import plausible

_EXACT = 60  # digits: sums of converted kPa values stay exact


class WrittenBy(StrEnum):
    """Who wrote a reading down."""

    CUFF = "cuff"
    HAND = "hand-written"


class SetBy(StrEnum):
    """Whose a threshold or a goal is."""

    PROTOCOL = "protocol"
    PLAN = "plan"
    CONDITION = "condition"  # published for what the person has


class Decides(StrEnum):
    """Which mean stands against the threshold; where the sessions decide apart, which of them is at or above it."""

    POOLED = "pooled"
    OF_SESSIONS = "mean of morning and evening"
    MORNING = "morning"
    EVENING = "evening"
    BOTH = "morning and evening"


class SpreadOf(StrEnum):
    """What a spread is reckoned from; it changes every number."""

    DAYS = "day means"
    MORNINGS = "morning means"
    EVENINGS = "evening means"
    READINGS = "readings"


class Said(StrEnum):
    """What the interval allows to say of a difference."""

    CLEAR = "clear"
    LIKELY = "likely"
    UNKNOWN = "cannot be told"


@dataclass(frozen=True, slots=True)
class Sample:
    """One reading. None: the cuff obtained no such value."""

    reading_id: str
    taken_at: datetime  # aware, in the person's zone: its wall clock decides day and session
    systolic: Decimal | None
    diastolic: Decimal | None
    pulse: Decimal | None
    status: frozenset[str] = frozenset()  # what the cuff flagged, in the words of the profile's status bits
    certain_time: bool = True
    source: WrittenBy = WrittenBy.CUFF
    mean: Decimal | None = None  # mean arterial pressure as the cuff measured it
    void: str = ""  # why it counts nowhere: a person struck it out, or it is there once already
    upright: bool = False  # void only as it was taken standing
    noted_again: bool = False  # void as another says what this measurement was: a correction, the cuff's own reading

    def __post_init__(self) -> None:
        if self.taken_at.utcoffset() is None:
            raise ValueError(f"reading {self.reading_id}: its time has no zone")

    @property
    def tells(self) -> bool:
        """Whether it says something of the person: not struck out or there already. One taken standing does."""
        return not self.void or self.upright

    @property
    def odd(self) -> tuple[str, ...]:
        """What in its pressures no measurement can mean, in words."""
        return plausible.marks(self.systolic, self.diastolic)


@dataclass(frozen=True, slots=True)
class Pressures:
    """A threshold or a goal."""

    systolic: Decimal
    diastolic: Decimal

    def reached_by(self, systolic: Decimal, diastolic: Decimal) -> bool:
        """At or above in either. Guidelines apply thresholds to means this way, and none rounds first."""
        return systolic >= self.systolic or diastolic >= self.diastolic

    def __str__(self) -> str:
        return f"{exact_text(self.systolic)}/{exact_text(self.diastolic)}"


@dataclass(frozen=True, slots=True)
class Pair:
    """Something reckoned for both pressures, such as a standard deviation."""

    systolic: float
    diastolic: float


@dataclass(frozen=True, slots=True)
class Mean:
    """Unrounded means of some readings."""

    systolic: Decimal
    diastolic: Decimal
    pulse: Decimal | None
    readings: int
    days: int


@dataclass(frozen=True, slots=True)
class Spread:
    """How much a series varies. unit: what the series is made of."""

    unit: SpreadOf
    n: int
    sd: Pair | None  # mmHg, with n - 1
    cv: Pair | None  # percent
    arv: Pair | None  # mmHg, steps weighted by the days between
    rmssd: Pair | None  # mmHg
    range: Pair | None  # mmHg, highest less lowest


@dataclass(frozen=True, slots=True)
class Irregular:
    """Irregular pulse flags. worth_telling: in two readings of one sitting, or on two days or more."""

    readings: int
    of: int
    days: int
    worth_telling: bool


@dataclass(frozen=True, slots=True)
class Load:
    """How many of the used readings lie at or above the threshold.

    last_ten: systolic ones of the last ten. Three or more go with raised values round the clock: Sharman and others,
    Ann Fam Med 2016;14:63 (from memory).
    """

    systolic: int
    diastolic: int
    either: int
    of: int
    last_ten: int | None  # None with fewer than ten readings


@dataclass(frozen=True, slots=True)
class Cell:
    """One session of one day: readings with a value, those that count, those the protocol asks for."""

    taken: int
    used: int
    wanted: int


@dataclass(frozen=True, slots=True)
class GridDay:
    """A row of the completeness grid. number: the day's number in the series, None for a day without readings."""

    day: date
    number: int | None
    left_out: bool
    morning: Cell
    evening: Cell


def mean_of(values: Iterable[Decimal]) -> Decimal:
    """Exact sum, one division. Raises ValueError where there is nothing to average."""
    counted = list(values)
    if not counted:
        raise ValueError("no values to average")
    with localcontext() as context:
        context.prec = _EXACT
        total = sum(counted, Decimal(0))
        context.prec = 28
        return total / len(counted)


def exact_text(value: Decimal) -> str:
    """The digits it has, never an exponent."""
    return format(value, "f")


def rounded_text(value: Decimal | float, places: int = 1, *, beside: Decimal | None = None) -> str:
    """A number for reading, `places` decimals, halves away from 0 (Python's round() would send them to the even
    neighbour: 134.25 to 134.2). Never compare what this returns.

    beside: a bound that is printed nearby. Where rounding would lift the number onto it or over it, one more decimal
    is shown and cut off, not rounded: 134.96 beside 135 prints as 134.96 and not as 135.0, which is not below.
    """
    exact = value if isinstance(value, Decimal) else Decimal(repr(value))
    printed = exact.quantize(Decimal(1).scaleb(-places), ROUND_HALF_UP)
    if beside is not None and exact < beside <= printed:
        printed = exact.quantize(Decimal(1).scaleb(-places - 1), ROUND_DOWN)
    return exact_text(printed if printed else abs(printed))

"""Values measured in the office: the mean of a visit, its class, and home against office.

The mean of a visit: the last two of three readings or more, else all there are; a further reading is wanted where the
first two differ by more than 10 mmHg. Source: ESC/ESH 2018 guideline, office measurement (the rule from memory); NICE
NG136 asks for a third where the second is substantially different.

Home against office never mixes the bounds of two rule sets: 140/90 in the office goes with 135/85 at home, 130/80 with
130/80 (AHA/ACC 2025 guideline, pocket guide, table 7). A class by plain means is a definition, not a finding: of people
that plain means call white-coat or masked, four in ten truly are (simulated, docs/decisions/averages.md). So each goes
with its chance, and only from 8 in 10 on is it called.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date
from decimal import Decimal
from enum import StrEnum
from math import sqrt

from collector.numbers.chance import LIKELY, NORMAL, both, either, z_of
from collector.numbers.levels import office_of
from collector.numbers.usual import Parts, Usual
from collector.numbers.values import Pressures, mean_of

APART = 10
"""mmHg between the first two readings of a visit from which a further one is wanted (more than)."""
OFFICE_LESS_HOME = (5.0, 3.0)
"""Usual difference in people, mmHg; an assumption."""
DIFFERENCE_SD = (9.0, 6.0)
"""How much people differ in it, SD in mmHg; an assumption. Wrong by a third it moves a chance by up to 0.17."""
WHITE_COAT_EFFECT = Pressures(Decimal(20), Decimal(10))
"""Office above home by more than this in either: NICE NG136 (read in summaries)."""
NEAR_DAYS = 90
"""Visits so near to the averaged days, or nearer, are held against them. A choice of this project."""


@dataclass(frozen=True, slots=True)
class OfficeReadings:
    """One visit's readings in the office, in the order they were taken."""

    day: date
    readings: tuple[Pressures, ...]

    @property
    def mean(self) -> Pressures:
        counted = self.readings[-2:]
        return Pressures(mean_of(one.systolic for one in counted), mean_of(one.diastolic for one in counted))

    @property
    def another_reading(self) -> bool:
        """Whether the rule asks for one more."""
        if len(self.readings) != 2:
            return False
        first, second = self.readings
        return abs(first.systolic - second.systolic) > APART or abs(first.diastolic - second.diastolic) > APART


class OfficeHome(StrEnum):
    """At or above the bound in either value: in the office only, at home only, in both, in none."""

    WHITE_COAT = "white-coat"
    MASKED = "masked"
    SUSTAINED = "sustained"
    NEITHER = "both below"


@dataclass(frozen=True, slots=True)
class Office:
    """The visits that count, and how they compare with home; None where no source gives bounds, or none may be drawn.

    chances: of each class, in the order of OfficeHome. called: the class whose chance is 8 in 10 or more.
    """

    visits: tuple[OfficeReadings, ...]
    mean: Pressures
    another_reading: bool
    bound: Pressures | None = None  # in the office
    by_means: OfficeHome | None = None
    chances: tuple[float, ...] = ()
    white_coat_effect: bool | None = None

    @property
    def called(self) -> OfficeHome | None:
        return next((one for one, chance in zip(OfficeHome, self.chances, strict=False) if chance >= LIKELY), None)


def visits_that_count(
    visits: Sequence[OfficeReadings], first: date | None, last: date | None
) -> tuple[OfficeReadings, ...]:
    """One visit a day, the one entered last; those near to the averaged days, else the last one only."""
    by_day = {one.day: one for one in visits}
    ordered = [by_day[day] for day in sorted(by_day)]
    near = [
        one
        for one in ordered
        if first and last and (first - one.day).days <= NEAR_DAYS and (one.day - last).days <= NEAR_DAYS
    ]
    return tuple(near or ordered[-1:])


def against_home(
    visits: Sequence[OfficeReadings],
    home: tuple[Usual, Usual] | None,
    mean: Pressures | None,
    threshold: Pressures,
    home_high: bool | None = None,
) -> Office | None:
    """None without a visit. home: usual systolic and diastolic that are judged; None: no comparison. mean, threshold:
    at home. home_high: the rule's verdict, which is of the sessions where it judges them apart; else of the mean."""
    if not visits:
        return None
    means = [one.mean for one in visits]
    office = Pressures(mean_of(one.systolic for one in means), mean_of(one.diastolic for one in means))
    more = visits[-1].another_reading
    bound = office_of(threshold)
    if home is None or mean is None or bound is None:
        return Office(tuple(visits), office, more, bound=bound)
    effect = (
        office.systolic - mean.systolic > WHITE_COAT_EFFECT.systolic
        or office.diastolic - mean.diastolic > WHITE_COAT_EFFECT.diastolic
    )
    if home_high is None:
        home_high = threshold.reached_by(mean.systolic, mean.diastolic)
    return Office(
        tuple(visits),
        office,
        more,
        bound=bound,
        by_means=_class(bound.reached_by(office.systolic, office.diastolic), home_high),
        chances=chances(office, len(visits), home, (bound, threshold)),
        white_coat_effect=effect,
    )


def _class(office_high: bool, home_high: bool) -> OfficeHome:
    if office_high:
        return OfficeHome.SUSTAINED if home_high else OfficeHome.WHITE_COAT
    return OfficeHome.MASKED if home_high else OfficeHome.NEITHER


@dataclass(frozen=True, slots=True)
class Together:
    """Office and home of one pressure, each drawn towards the other: their means, SDs and correlation."""

    office: float
    office_sd: float
    home: float
    home_sd: float
    correlation: float


def error_of_visits(visits: int, parts: Parts) -> float:
    """Standard error of the mean of so many visits, mmHg."""
    return sqrt(parts.slow**2 + (parts.office**2 - parts.slow**2) / visits)


def together(office: float, visits: int, home: Usual, usual_difference: float, sd: float) -> Together:
    """Office and home of one person go together: what each says of the other is used."""
    a, b = error_of_visits(visits, home.parts) ** 2, home.se**2
    whole = a + b + sd**2
    off = usual_difference - (office - home.mean)
    office_var, home_var = a - a * a / whole, b - b * b / whole
    return Together(
        office=office + a * off / whole,
        office_sd=sqrt(office_var),
        home=home.mean - b * off / whole,
        home_sd=sqrt(home_var),
        correlation=a * b / whole / sqrt(office_var * home_var),
    )


def chances(
    office: Pressures, visits: int, home: tuple[Usual, Usual], bounds: tuple[Pressures, Pressures]
) -> tuple[float, ...]:
    """Of each class, in the order of OfficeHome. bounds: in the office, at home."""
    pairs = [
        together(float(value), visits, one, difference, sd)
        for value, one, difference, sd in zip(
            (office.systolic, office.diastolic), home, OFFICE_LESS_HOME, DIFFERENCE_SD, strict=True
        )
    ]
    limits = [(float(bound.systolic), float(bound.diastolic)) for bound in bounds]
    at_office = [NORMAL.cdf((one.office - bound) / one.office_sd) for one, bound in zip(pairs, limits[0], strict=True)]
    at_home = [NORMAL.cdf((one.home - bound) / one.home_sd) for one, bound in zip(pairs, limits[1], strict=True)]
    o, h = z_of(either(*at_office)), z_of(either(*at_home))
    r = sum(one.correlation for one in pairs) / 2
    of = {
        OfficeHome.WHITE_COAT: both(o, -h, -r),
        OfficeHome.MASKED: both(-o, h, -r),
        OfficeHome.SUSTAINED: both(o, h, r),
        OfficeHome.NEITHER: both(-o, -h, r),
    }
    return tuple(of[one] for one in OfficeHome)

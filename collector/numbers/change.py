"""Before and after a change of regimen: a difference, how sure it is, and what else could have made it.

The unit is the day mean: readings a minute apart are no independent values. The first days after the change are left
out (14 unless said otherwise, as the AHA/AMA programme pages ask before a new series). Each side is a series by the
same protocol, with the same days left out, of at most `span_days` days: the last ones before the change, the first ones
after the days left out (28 days, as the AHA/ASH/PCNA statement of 2008 judges over two to four weeks).

One interval of 95 %, by the model of `usual`, and one verdict that follows from it. With C the mean of exp(-gap/42)
over all pairs of a day before and a day after:

    se ** 2 = sigma2 (F1 + F2) + slow ** 2 (G1 + G2 - 2 C),   P(lower) = T(-difference / se)

More days in a row shrink the fast part only; weeks spread over months shrink both.
"""

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import date, datetime, timedelta
from math import sqrt

from collector.numbers import descriptive, words
from collector.numbers.average import Average, average
from collector.numbers.rules import Plan, PlannedProtocol, Protocol, Session
from collector.numbers.selecting import Counted, select
from collector.numbers.sittings import sittings
from collector.numbers.spread import both_series
from collector.numbers.student import cumulative, quantile
from collector.numbers.usual import (
    DIASTOLIC,
    PRIOR_DAYS,
    SYSTOLIC,
    DayMeans,
    Parts,
    Usual,
    drift_correlation,
    fast_part,
    satterthwaite,
    slow_part,
    usual,
)
from collector.numbers.values import Said, Sample

SPAN_DAYS = 28  # each side at most
LEAST_DAYS = 3
CLEAR, LIKELY = 0.975, 0.90
"""Of the chance that the usual pressure is lower (or higher). Without any change, a fall is called clear in 2 of 100
comparisons of six days a side, clear or likely in 8 (simulated, docs/decisions/averages.md)."""
PEOPLE = ((132.0, 12.0), (81.0, 8.0))
"""Mean and SD between people of the usual home pressure, systolic and diastolic, mmHg. An assumption between the
general population of Ohasama, 123.4 (15.1)/75.7 (9.0), and Dutch patients, 143 (16)/84 (10) (Groenland 2022)."""
FAR_APART_WEEKS = 8


@dataclass(frozen=True, slots=True)
class Difference:
    """One pressure, mmHg. `difference` is after minus before, of means of day means.

    falls_by_itself: how much of a fall to expect without any change, as the days before lay above what is usual in
    people (regression to the mean); None where they did not. To be seen beside the difference, never subtracted.
    """

    before: float
    after: float
    difference: float
    se: float
    df: float
    chance_lower: float
    falls_by_itself: float | None

    @property
    def low(self) -> float:
        return self.difference - quantile(0.975, self.df) * self.se

    @property
    def high(self) -> float:
        return self.difference + quantile(0.975, self.df) * self.se

    @property
    def said(self) -> Said:
        surer = max(self.chance_lower, 1 - self.chance_lower)
        return Said.CLEAR if surer >= CLEAR else Said.LIKELY if surer >= LIKELY else Said.UNKNOWN


@dataclass(frozen=True, slots=True)
class Compared:
    systolic: Difference
    diastolic: Difference
    days_before: int
    days_after: int


@dataclass(frozen=True, slots=True)
class Change:
    """overall is None, and `needed` says what is missing on which side, where one is too short to compare."""

    at: date
    washout_days: int
    protocol: Protocol
    before: Average
    after: Average
    overall: Compared | None
    morning: Compared | None
    evening: Compared | None
    cautions: tuple[str, ...]
    needed: tuple[tuple[str, tuple[str, ...]], ...]

    @property
    def refused(self) -> tuple[str, ...]:
        return tuple(f"{where}: {need}" for where, needs in self.needed for need in needs)

    @property
    def systolic(self) -> Difference | None:
        return self.overall.systolic if self.overall else None

    @property
    def diastolic(self) -> Difference | None:
        return self.overall.diastolic if self.overall else None


def change(
    samples: Iterable[Sample],
    at: date,
    protocol: Protocol,
    plan: Plan | None = None,
    washout_days: int = 14,
    *,
    other_changes: Sequence[date] = (),
) -> Change:
    """Compare one person's days before and after a change.

    at: the day of the change (of a datetime, its day). other_changes: days of other changes; neither side reaches over
    one or into its washout.
    """
    at = at.date() if isinstance(at, datetime) else at
    rules = PlannedProtocol.of(protocol, plan).protocol
    kept = [sample for sitting in sittings(samples, rules) for sample in sitting.samples]
    holding = sorted(select(kept, rules, first=date.min).numbers) if kept else []
    wait = timedelta(washout_days)
    previous = max((day for day in other_changes if day < at), default=None)
    following = min((day for day in other_changes if day > at), default=date.max)
    earlier, later = [day for day in holding if day < at], [day for day in holding if day >= at]
    before_days = [day for day in earlier if previous is None or day >= previous + wait]
    after_days = [day for day in later if at + wait <= day < following]
    span = timedelta(SPAN_DAYS - 1)
    last_before = before_days[-1] if before_days else at - timedelta(1)
    first_before = next((day for day in before_days if day >= last_before - span), last_before)
    first_after = after_days[0] if after_days else at + wait
    last_after = min(first_after + span, after_days[-1]) if after_days else first_after
    before = average(kept, protocol, plan, first_before, last_before)
    after = average(kept, protocol, plan, first_after, last_after)
    needs = (
        ("before the change", _needs(before) if before.taken else _none_before(earlier, previous, washout_days)),
        (
            f"from {washout_days} days after it",
            _needs(after) if after.taken else _none_after(later, at, following, washout_days),
        ),
    )
    needed = tuple((where, missing) for where, missing in needs if missing)
    sides = (select(kept, rules, first_before, last_before).used, select(kept, rules, first_after, last_after).used)
    overall = None if needed else _compared(*sides)
    weeks = round((first_after - last_before).days / 7)
    return Change(
        at,
        washout_days,
        rules,
        before,
        after=after,
        overall=overall,
        morning=None if needed else _compared(*_only(sides, "morning")),
        evening=None if needed else _compared(*_only(sides, "evening")),
        cautions=(*words.CHANGE_CAUTIONS, *((words.far_apart(weeks),) if overall and weeks > FAR_APART_WEEKS else ())),
        needed=needed,
    )


def _needs(side: Average) -> tuple[str, ...]:
    if not side.short_of and side.days_used < LEAST_DAYS:
        return (f"{LEAST_DAYS} days that count ({side.days_used} of {LEAST_DAYS})",)
    return side.short_of


def _none_before(earlier: Sequence[date], previous: date | None, washout_days: int) -> tuple[str, ...]:
    """Why no reading counts."""
    if not earlier or previous is None:
        return ("readings (there are none)",)
    near = f"lies within {washout_days} days of" if earlier[-1] >= previous else "comes before"
    return (f"readings (the last, of {earlier[-1]}, {near} the change of {previous})",)


def _none_after(later: Sequence[date], at: date, following: date, washout_days: int) -> tuple[str, ...]:
    if not later:
        return ("readings (there are none)",)
    if later[-1] < at + timedelta(washout_days):
        return (f"readings (the last, of {later[-1]}, lies within {washout_days} days of the change of {at})",)
    after = next(day for day in later if day >= following)
    return (f"readings (the next, of {after}, comes after the change of {following})",)


def _only(
    sides: tuple[tuple[Counted, ...], tuple[Counted, ...]], session: Session
) -> tuple[list[Counted], list[Counted]]:
    before, after = ([one for one in side if one.session == session] for side in sides)
    return before, after


def _compared(before: Sequence[Counted], after: Sequence[Counted]) -> Compared | None:
    if min(len({one.day for one in side}) for side in (before, after)) < LEAST_DAYS:
        return None
    earlier, later = both_series(before), both_series(after)
    systolic, diastolic = (
        compare(*sides, parts, people)
        for sides, parts, people in zip(zip(earlier, later, strict=True), (SYSTOLIC, DIASTOLIC), PEOPLE, strict=True)
    )
    return Compared(systolic, diastolic, earlier[0].n, later[0].n)


def compare(before: DayMeans, after: DayMeans, parts: Parts, people: tuple[float, float]) -> Difference:
    """One pressure of two series. people: mean and SD of the usual pressure between people, mmHg."""
    n1, n2 = before.n, after.n
    sessions, readings = (
        (n1 * one + n2 * other) / (n1 + n2)
        for one, other in ((before.sessions, after.sessions), (before.readings, after.readings))
    )
    prior = parts.variance_of_day(sessions, readings)
    share = parts.day**2 / prior
    df = PRIOR_DAYS + n1 + n2 - 2
    sigma2 = (PRIOR_DAYS * prior + before.own_sum(parts) + after.own_sum(parts)) / df
    f1, f2 = fast_part(before.days, share), fast_part(after.days, share)
    g1, g2 = slow_part(before.days), slow_part(after.days)
    c = sum(drift_correlation(b - a) for a in before.days for b in after.days) / (n1 * n2)
    fast, slow = sigma2 * (f1 + f2), parts.slow**2 * (g1 + g2 - 2 * c)
    se, df = sqrt(fast + slow), satterthwaite(df, fast, slow)
    earlier, later = descriptive.mean(before.means), descriptive.mean(after.means)
    difference = later - earlier
    return Difference(
        before=earlier,
        after=later,
        difference=difference,
        se=se,
        df=df,
        chance_lower=cumulative(-difference / se, df),
        falls_by_itself=expected_fall(usual(before, parts), c, people),
    )


def expected_fall(before: Usual, together: float, people: tuple[float, float]) -> float | None:
    """Regression to the mean. together: mean correlation of the drift between the two sides, 0 for the usual pressure.

    Sources, from memory: James, Biometrics 1973;29:121; Davis, Am J Epidemiol 1976;104:493; Barnett and others, Int J
    Epidemiol 2005;34:215.
    """
    mean, sd = people
    if before.mean <= mean:
        return None
    drift = before.parts.slow**2
    fast = before.sigma2 * before.fast
    return (before.mean - mean) * (fast + drift * (before.slow - together)) / (sd**2 + fast + drift * before.slow)

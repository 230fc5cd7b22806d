"""Before and after a change of regimen: a difference, how sure it is, and what else could have made it.

The unit is the day mean: readings a minute apart are no independent values. The first days after the change are left
out (14 unless said otherwise, as the AHA/AMA programme pages ask before a new series). Each side is a series by the
same protocol, with the same days left out, of at most `span_days` days: the last ones before the change, the first ones
after the days left out (28 days, as the AHA/ASH/PCNA statement of 2008 judges over two to four weeks).

Three intervals of 95 %: Welch's on day means; the same with fewer effective days where neighbouring days resemble each
other, n (1 - r) / (1 + r) with their lag-1 correlation (from memory); and a bootstrap that draws whole days, 2000
times, from a fixed seed. A difference is called clear only when the second leaves 0 out and it exceeds the noise floor.
"""

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import date, datetime, timedelta
from math import sqrt
from random import Random

from collector.numbers import descriptive, words
from collector.numbers.average import Average, average
from collector.numbers.rules import Plan, PlannedProtocol, Protocol, Session
from collector.numbers.selecting import Counted, select
from collector.numbers.sittings import sittings
from collector.numbers.spread import day_means
from collector.numbers.values import Pair, Sample

LEAST_DAYS = 3
SEED = 2718
DAY_TO_DAY = Pair(8.6, 5.8)
"""SD in mmHg of one morning reading from day to day in one person; Ohasama, n = 1215 (Kato and others, abstract)."""
WEEK_CV = Pair(0.042, 0.039)
"""Within-person coefficient of variation of a week's mean; n = 163 (Warren and others 2010)."""
FAR_APART_WEEKS = 8


@dataclass(frozen=True, slots=True)
class Difference:
    """One pressure, mmHg. `difference` is after minus before, of means of day means."""

    before: float
    after: float
    difference: float
    low: float  # Welch
    high: float
    df: float | None
    low_neighbours: float  # with effective numbers of days
    high_neighbours: float
    low_bootstrap: float
    high_bootstrap: float
    noise: float  # a difference up to this is common without any change
    clear: bool


@dataclass(frozen=True, slots=True)
class Compared:
    systolic: Difference
    diastolic: Difference
    days_before: int
    days_after: int
    effective_before: float  # days, the smaller of the two pressures'
    effective_after: float


@dataclass(frozen=True, slots=True)
class Change:
    """overall is None, and `refused` says why, where one side is too short to compare."""

    at: date
    washout_days: int
    protocol: Protocol
    before: Average
    after: Average
    overall: Compared | None
    morning: Compared | None
    evening: Compared | None
    noise_floor: tuple[str, ...]
    cautions: tuple[str, ...]
    refused: tuple[str, ...]

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
    span_days: int = 28,
    leave_out: Sequence[tuple[date, date]] = (),
    other_changes: Sequence[date] = (),
    draws: int = 2000,
    seed: int = SEED,
) -> Change:
    """Compare one person's days before and after a change.

    at: the day of the change (of a datetime, its day). leave_out: spans of days, both ends included, such as days with
    both medicines. other_changes: days of other changes; neither side reaches over one or into its washout.
    """
    at = at.date() if isinstance(at, datetime) else at
    rules = PlannedProtocol.of(protocol, plan).protocol
    kept = [
        sample
        for sitting in sittings(samples, rules)
        for sample in sitting.samples
        if not any(first <= sitting.day <= last for first, last in leave_out)
    ]
    holding = sorted(select(kept, rules, first=date.min).numbers) if kept else []
    wait = timedelta(washout_days)
    earlier = max((day + wait for day in other_changes if day < at), default=date.min)
    later = min((day for day in other_changes if day > at), default=date.max)
    before_days = [day for day in holding if earlier <= day < at]
    after_days = [day for day in holding if at + wait <= day < later]
    span = timedelta(span_days - 1)
    last_before = before_days[-1] if before_days else at - timedelta(1)
    first_before = next((day for day in before_days if day >= last_before - span), last_before)
    first_after = after_days[0] if after_days else at + wait
    last_after = min(first_after + span, after_days[-1]) if after_days else first_after
    before = average(kept, protocol, plan, first_before, last_before)
    after = average(kept, protocol, plan, first_after, last_after)
    refused = (*_too_short("before the change", before), *_too_short(f"from {washout_days} days after it", after))
    sides = (select(kept, rules, first_before, last_before).used, select(kept, rules, first_after, last_after).used)
    overall = None if refused else _compared(*sides, draws, seed)
    weeks = round((first_after - last_before).days / 7)
    return Change(
        at,
        washout_days,
        rules,
        before,
        after,
        overall,
        None if refused else _compared(*_only(sides, "morning"), draws, seed),
        None if refused else _compared(*_only(sides, "evening"), draws, seed),
        _noise_floor(overall) if overall else (),
        (*words.CHANGE_CAUTIONS, *((words.far_apart(weeks),) if overall and weeks > FAR_APART_WEEKS else ())),
        refused,
    )


def _too_short(where: str, side: Average) -> list[str]:
    reasons = [f"{where}: {need}" for need in side.short_of]
    if not reasons and side.days_used < LEAST_DAYS:
        reasons.append(f"{where}: {LEAST_DAYS} days that count ({side.days_used} of {LEAST_DAYS})")
    return reasons


def _only(
    sides: tuple[tuple[Counted, ...], tuple[Counted, ...]], session: Session
) -> tuple[list[Counted], list[Counted]]:
    before, after = ([one for one in side if one.session == session] for side in sides)
    return before, after


def _compared(before: Sequence[Counted], after: Sequence[Counted], draws: int, seed: int) -> Compared | None:
    days = [[pair for _, pair in day_means(side)] for side in (before, after)]
    if min(map(len, days)) < LEAST_DAYS:
        return None
    drawn = _bootstrap(days[0], days[1], draws, Random(seed))
    effective: list[tuple[float, float]] = []
    found = []
    for index in (0, 1):
        values = [[pair[index] for pair in side] for side in days]
        sizes = tuple(descriptive.effective_n(len(side), descriptive.neighbour_correlation(side)) for side in values)
        effective.append((sizes[0], sizes[1]))
        plain = descriptive.welch(values[0], values[1])
        careful = descriptive.welch(values[0], values[1], sizes=(sizes[0], sizes[1]))
        floor = _noise(index, descriptive.mean(values[0]), len(days[0]), len(days[1]))
        clear = (careful.low > 0 or careful.high < 0) and abs(plain.difference) > floor
        found.append(
            Difference(
                descriptive.mean(values[0]),
                descriptive.mean(values[1]),
                plain.difference,
                plain.low,
                plain.high,
                plain.df,
                careful.low,
                careful.high,
                *drawn[index],
                floor,
                clear,
            )
        )
    return Compared(
        found[0],
        found[1],
        len(days[0]),
        len(days[1]),
        min(effective[0][0], effective[1][0]),
        min(effective[0][1], effective[1][1]),
    )


def _bootstrap(
    before: list[tuple[float, float]], after: list[tuple[float, float]], draws: int, dice: Random
) -> list[tuple[float, float]]:
    """Percentile intervals of both differences; the block drawn is a day."""
    found: tuple[list[float], list[float]] = ([], [])
    for _ in range(draws):
        one, other = dice.choices(before, k=len(before)), dice.choices(after, k=len(after))
        for index in (0, 1):
            found[index].append(
                sum(pair[index] for pair in other) / len(other) - sum(pair[index] for pair in one) / len(one)
            )
    return [(_percentile(values, 0.025), _percentile(values, 0.975)) for values in map(sorted, found)]


def _percentile(ordered: list[float], share: float) -> float:
    place = share * (len(ordered) - 1)
    below = int(place)
    above = min(below + 1, len(ordered) - 1)
    return ordered[below] + (place - below) * (ordered[above] - ordered[below])


def _noise(index: int, before: float, days_before: int, days_after: int) -> float:
    """The larger of what day-to-day spread leaves in two means of so many days (days taken as independent) and what two
    weekly means of one person differ by: 1.96 s root(1/n1 + 1/n2), and 1.96 root(2) CV mean."""
    spread = (DAY_TO_DAY.systolic, DAY_TO_DAY.diastolic)[index]
    share = (WEEK_CV.systolic, WEEK_CV.diastolic)[index]
    return max(1.96 * spread * sqrt(1 / days_before + 1 / days_after), 1.96 * sqrt(2) * share * before)


def _noise_floor(overall: Compared) -> tuple[str, ...]:
    systolic, diastolic = overall.systolic, overall.diastolic
    return (
        words.two_weeks(
            1.96 * sqrt(2) * WEEK_CV.systolic * systolic.before, 1.96 * sqrt(2) * WEEK_CV.diastolic * diastolic.before
        ),
        words.by_chance(systolic.noise, diastolic.noise),
        *(
            words.clear_or_not(name, one.difference, one.clear)
            for name, one in (("top", systolic), ("lower", diastolic))
        ),
    )

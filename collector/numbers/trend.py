"""How values moved over weeks and months. Every usable reading counts here, also those of a day that a protocol's
average leaves out: a trend needs no day 1."""

from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass, replace
from datetime import date, timedelta

from collector.numbers import descriptive
from collector.numbers.average import LEAST_DAYS_FOR_MARGIN
from collector.numbers.rules import Plan, PlannedProtocol, Protocol
from collector.numbers.selecting import Counted, select
from collector.numbers.spread import day_means
from collector.numbers.values import Pair, Pressures, Sample


@dataclass(frozen=True, slots=True)
class DayMean:
    day: date
    systolic: float  # mmHg
    diastolic: float
    readings: int


@dataclass(frozen=True, slots=True)
class PeriodMean:
    """A calendar week (from Monday) or month, with the mean of all its readings, mmHg."""

    first: date
    last: date
    days: int  # with readings
    readings: int
    systolic: float
    diastolic: float
    margin: Pair | None  # half the 95 % interval, from day means


@dataclass(frozen=True, slots=True)
class MovingMean:
    """Mean of the day means of the `window_days` up to and with `day`. margin: its band; None with under 3 days."""

    day: date
    days: int
    systolic: float
    diastolic: float
    margin: Pair | None


@dataclass(frozen=True, slots=True)
class Trend:
    """Empty where there is no usable reading. Days without readings stand in no list."""

    days: tuple[DayMean, ...]
    weeks: tuple[PeriodMean, ...]
    months: tuple[PeriodMean, ...]
    moving: tuple[MovingMean, ...]
    window_days: int
    threshold: Pressures


def trend(
    samples: Iterable[Sample],
    protocol: Protocol,
    plan: Plan | None = None,
    first: date | None = None,
    last: date | None = None,
    window_days: int = 7,
) -> Trend:
    """Weeks, months and the moving mean of one person's readings, from the first one on unless `first` says otherwise.

    Raises ValueError for a window of less than a day or a period the wrong way round.
    """
    if window_days < 1:
        raise ValueError(f"a moving mean takes at least 1 day, not {window_days}")
    rules = PlannedProtocol.of(protocol, plan).protocol
    everything = replace(rules, drop_days=(), drop_first_of_session=False)
    usable = select(samples, everything, first or date.min, last).usable
    counts: dict[date, int] = {}
    for one in usable:
        counts[one.day] = counts.get(one.day, 0) + 1
    days = tuple(DayMean(day, systolic, diastolic, counts[day]) for day, (systolic, diastolic) in day_means(usable))
    return Trend(
        days=days,
        weeks=_period_means(usable, _week),
        months=_period_means(usable, _month),
        moving=_moving(days, window_days),
        window_days=window_days,
        threshold=rules.threshold,
    )


def _moving(days: Sequence[DayMean], window_days: int) -> tuple[MovingMean, ...]:
    found = []
    begin = 0
    for end, newest in enumerate(days):
        while (newest.day - days[begin].day).days >= window_days:
            begin += 1
        within = days[begin : end + 1]
        systolic, diastolic = [one.systolic for one in within], [one.diastolic for one in within]
        found.append(
            MovingMean(
                newest.day,
                len(within),
                systolic=descriptive.mean(systolic),
                diastolic=descriptive.mean(diastolic),
                margin=_margin(systolic, diastolic),
            )
        )
    return tuple(found)


def _period_means(usable: Sequence[Counted], period_of: Callable[[date], tuple[date, date]]) -> tuple[PeriodMean, ...]:
    groups: dict[tuple[date, date], list[Counted]] = {}
    for one in usable:
        groups.setdefault(period_of(one.day), []).append(one)
    found = []
    for (first, last), readings in sorted(groups.items()):
        means = [pair for _, pair in day_means(readings)]
        systolic, diastolic = ([pair[index] for pair in means] for index in (0, 1))
        found.append(
            PeriodMean(
                first,
                last,
                days=len(means),
                readings=len(readings),
                systolic=descriptive.mean([float(one.systolic) for one in readings]),
                diastolic=descriptive.mean([float(one.diastolic) for one in readings]),
                margin=_margin(systolic, diastolic),
            )
        )
    return tuple(found)


def _margin(systolic: Sequence[float], diastolic: Sequence[float]) -> Pair | None:
    if len(systolic) < LEAST_DAYS_FOR_MARGIN:
        return None
    return Pair(descriptive.margin(systolic), descriptive.margin(diastolic))


def _week(day: date) -> tuple[date, date]:
    first = day - timedelta(day.weekday())
    return first, first + timedelta(6)


def _month(day: date) -> tuple[date, date]:
    first = day.replace(day=1)
    return first, (first + timedelta(31)).replace(day=1) - timedelta(1)

"""How much a series varies, with the unit it was reckoned from: readings, day means, or one session's means.

The unit changes every number. Day means are the usual one: readings a minute apart are no independent values.
"""

import itertools
from collections.abc import Sequence
from datetime import date

from collector.numbers import descriptive
from collector.numbers.selecting import Counted
from collector.numbers.usual import DayMeans
from collector.numbers.values import Pair, Spread, SpreadOf


def day_means(readings: Sequence[Counted]) -> list[tuple[date, tuple[float, float]]]:
    """Mean systolic and diastolic of each day, in the order of days, mmHg."""
    days: dict[date, list[Counted]] = {}
    for one in readings:
        days.setdefault(one.day, []).append(one)
    return [
        (
            day,
            (
                descriptive.mean([float(one.systolic) for one in found]),
                descriptive.mean([float(one.diastolic) for one in found]),
            ),
        )
        for day, found in sorted(days.items())
    ]


def both_series(readings: Sequence[Counted]) -> tuple[DayMeans, DayMeans]:
    """Day means of systolic and of diastolic with their days, for the model of `usual`. At least one reading."""
    dated = day_means(readings)
    days = tuple(day.toordinal() for day, _ in dated)
    sessions = len({(one.day, one.session) for one in readings}) / len(days)
    systolic, diastolic = zip(*(pair for _, pair in dated), strict=True)
    a_day = len(readings) / len(days)
    return DayMeans(systolic, days, sessions, a_day), DayMeans(diastolic, days, sessions, a_day)


def spread(readings: Sequence[Counted], unit: SpreadOf = SpreadOf.DAYS) -> Spread:
    """SD, CV, ARV, RMSSD and range. A step between days counts by the days between; readings count evenly."""
    gaps: list[float] | None = None
    if unit is SpreadOf.READINGS:
        pairs = [(float(one.systolic), float(one.diastolic)) for one in readings]
    else:
        session = unit.split()[0]
        dated = day_means([one for one in readings if session in ("day", one.session)])
        gaps = [float((after - before).days) for (before, _), (after, _) in itertools.pairwise(dated)]
        pairs = [pair for _, pair in dated]
    if len(pairs) < 2:
        return Spread(unit, len(pairs), sd=None, cv=None, arv=None, rmssd=None, range=None)
    series = list(zip(*pairs, strict=True))
    return Spread(
        unit,
        len(pairs),
        sd=Pair(*map(descriptive.sd, series)),
        cv=Pair(*map(descriptive.cv, series)),
        arv=Pair(*(descriptive.arv(values, gaps) for values in series)),
        rmssd=Pair(*map(descriptive.rmssd, series)),
        range=Pair(*(max(values) - min(values) for values in series)),
    )

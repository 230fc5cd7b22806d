"""The chance that a usual pressure lies at or above a bound, what to call it, and what further measuring would settle.

Printed as 'about 7 in 10', never as percent: no knowledge of the population goes in, and near a half it is up to six
percent high (simulated, docs/decisions/averages.md).
"""

from collections.abc import Sequence
from dataclasses import dataclass
from enum import StrEnum
from itertools import product
from math import asin, exp, pi, sin, sqrt
from statistics import NormalDist

from collector.numbers.usual import DAY_CORRELATION, DayMeans, Usual, drift_correlation, fast_part, slow_part

NORMAL = NormalDist()
TOGETHER = 0.65
"""Correlation of the errors of systolic and diastolic; an assumption. Any from 0 to 0.9 moves a chance by 0.02."""
CLEAR, LIKELY = 0.95, 0.80
"""From here on a usual pressure is clearly, or probably, at or above a bound. A choice of this project."""
SETTLED_Z = NORMAL.inv_cdf(LIKELY)
# Gauss-Legendre, 12 nodes on -1 to 1: the positive six and their weights (Abramowitz and Stegun, table 25.4).
_NODES = (
    (0.1252334085114689, 0.2491470458134028),
    (0.3678314989981802, 0.2334925365383548),
    (0.5873179542866175, 0.2031674267230659),
    (0.7699026741943047, 0.1600783285433462),
    (0.9041172563704749, 0.1069393259953184),
    (0.9815606342467193, 0.0471753363865118),
)


class Call(StrEnum):
    """What a chance allows to say of the usual pressure, in the order of the chance."""

    CLEARLY_BELOW = "clearly below"
    PROBABLY_BELOW = "probably below"
    TOO_CLOSE = "too close to call"
    PROBABLY_ABOVE = "probably at or above"
    CLEARLY_ABOVE = "clearly at or above"


def call(chance: float) -> Call:
    for least, name in ((CLEAR, Call.CLEARLY_ABOVE), (LIKELY, Call.PROBABLY_ABOVE)):
        if chance >= least:
            return name
    for most, name in ((1 - CLEAR, Call.CLEARLY_BELOW), (1 - LIKELY, Call.PROBABLY_BELOW)):
        if chance <= most + 1e-12:
            return name
    return Call.TOO_CLOSE


def both(h: float, k: float, correlation: float) -> float:
    """The chance that two correlated standard normal values lie at most at h and at k.

    Source: Drezner and Wesolowsky 1990, J Stat Comput Simul 35:101 (from memory); held against SciPy by a test.
    """
    top = asin(correlation)
    total = 0.0
    for node, weight in _NODES:
        for at in (top * (1 - node) / 2, top * (1 + node) / 2):
            s = sin(at)
            total += weight * exp(-(h * h + k * k - 2 * h * k * s) / (2 * (1 - s * s)))
    return NORMAL.cdf(h) * NORMAL.cdf(k) + top / (4 * pi) * total


def z_of(chance: float) -> float:
    """The standard normal value that so much of all lies below."""
    return NORMAL.inv_cdf(min(max(chance, 1e-12), 1 - 1e-12))


def either(systolic: float, diastolic: float) -> float:
    """The chance that at least one of the two is at or above its bound, from the chance of each."""
    return 1 - both(-z_of(systolic), -z_of(diastolic), TOGETHER)


class Further(StrEnum):
    """Further measuring, the least first."""

    THREE_DAYS = "3 more days"
    SEVEN_DAYS = "7 more days"
    A_WEEK_LATER = "a week in four weeks"
    THREE_MONTHS = "a week in each of the next 3 months"
    SIX_MONTHS = "a week in each of the next 6 months"


def _weeks(count: int) -> tuple[int, ...]:
    return tuple(28 * week + day for week in range(1, count + 1) for day in range(1, 8))


_AFTER: dict[Further, tuple[int, ...]] = {
    Further.THREE_DAYS: (1, 2, 3),
    Further.SEVEN_DAYS: tuple(range(1, 8)),
    Further.A_WEEK_LATER: _weeks(1),
    Further.THREE_MONTHS: _weeks(3),
    Further.SIX_MONTHS: _weeks(6),
}
"""Days after the last one."""


def chance_to_settle(found: Usual, days: Sequence[int], bound: float, more: Sequence[int]) -> tuple[float, float]:
    """(the chance that with these days added the usual pressure is called, the standard error then)."""
    old, every = len(days), [*days, *more]
    new = len(every)
    weights = [1 / new - 1 / old] * old + [1 / new] * len(more)
    slow2 = found.parts.slow**2
    moved = 0.0
    for (i, a), (j, b) in product(enumerate(every), repeat=2):
        fast = 1.0 if i == j else found.share * DAY_CORRELATION ** abs(a - b)
        moved += weights[i] * weights[j] * (found.sigma2 * fast + slow2 * drift_correlation(a - b))
    se = sqrt(found.sigma2 * fast_part(every, found.share) + slow2 * slow_part(every))
    apart = found.mean - bound
    reach = SETTLED_Z * se
    root = sqrt(moved)
    return NORMAL.cdf((apart - reach) / root) + NORMAL.cdf((-apart - reach) / root), se


def would_settle(found: Usual, series: DayMeans, bound: float) -> Further | None:
    """The least further measuring after which the usual pressure is more likely called than not; None for none."""
    for plan in list(Further)[:-1]:  # should only the last do, measuring on now will not settle it
        more = [series.days[-1] + after for after in _AFTER[plan]]
        if chance_to_settle(found, series.days, bound, more)[0] >= 0.5:
            return plan
    return None


@dataclass(frozen=True, slots=True)
class AgainstBound:
    """Of a usual pressure against a bound, in either value. further: None where none would settle it, or need to."""

    chance: float
    call: Call
    systolic: float  # chance of that value alone
    diastolic: float
    further: Further | None


def against_bound(
    pressures: tuple[Usual, Usual], series: tuple[DayMeans, DayMeans], bounds: tuple[float, float]
) -> AgainstBound:
    """Systolic first in each."""
    alone = [one.chance_at_or_above(bound) for one, bound in zip(pressures, bounds, strict=True)]
    chance = either(*alone)
    called = call(chance)
    further: Further | None = None
    if called is Call.TOO_CLOSE:
        undecided = [index for index in (0, 1) if call(alone[index]) is Call.TOO_CLOSE] or [0, 1]
        plans = [would_settle(pressures[index], series[index], bounds[index]) for index in undecided]
        if all(plans):
            further = max((plan for plan in plans if plan), key=list(Further).index)
    return AgainstBound(chance, called, systolic=alone[0], diastolic=alone[1], further=further)

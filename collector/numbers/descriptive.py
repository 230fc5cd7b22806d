"""Descriptive statistics of a series. Standard library only.

Sources: sample moments as in any textbook; average real variability, successive variation: Journal of the Medical
Association (JMAJ) 2025, table 1 (volume and page not looked up), and PMC8030409, table 1.
All functions take plain floats and raise ValueError for fewer values than they need.
"""

import itertools
from collections.abc import Sequence
from math import fsum, sqrt

from collector.numbers.student import quantile

Series = Sequence[float]


def mean(values: Series) -> float:
    _need(values, 1)
    return fsum(values) / len(values)


def variance(values: Series) -> float:
    """With n - 1, in squared units of the values."""
    _need(values, 2)
    middle = mean(values)
    return fsum((value - middle) ** 2 for value in values) / (len(values) - 1)


def sd(values: Series) -> float:
    """Standard deviation with n - 1, in units of the values."""
    return sqrt(variance(values))


def cv(values: Series) -> float:
    """Coefficient of variation: 100 SD / mean, percent."""
    middle = mean(values)
    if not middle:
        raise ValueError("no coefficient of variation where the mean is 0")
    return 100 * sd(values) / middle


def arv(values: Series, gaps: Series | None = None) -> float:
    """Average real variability: the mean step from one value to the next, in units of the values.

    gaps: the time between neighbours, one fewer than the values; a step counts by its gap. None: evenly spaced.
    """
    _need(values, 2)
    steps = [abs(after - before) for before, after in itertools.pairwise(values)]
    weights = [1.0] * len(steps) if gaps is None else list(gaps)
    if len(weights) != len(steps) or min(weights) <= 0:
        raise ValueError("there is one positive gap between each two neighbours")
    return fsum(weight * step for weight, step in zip(weights, steps, strict=True)) / fsum(weights)


def rmssd(values: Series) -> float:
    """Successive variation: root of the mean squared step from one value to the next, in units of the values."""
    _need(values, 2)
    return sqrt(fsum((b - a) ** 2 for a, b in itertools.pairwise(values)) / (len(values) - 1))


def standard_error(values: Series) -> float:
    """Of the mean of independent values: SD / root of n."""
    return sd(values) / sqrt(len(values))


def margin(values: Series) -> float:
    """Half the width of the 95 % t interval round the mean of independent values."""
    return quantile(0.975, len(values) - 1) * standard_error(values)


def _need(values: Series, least: int) -> None:
    if len(values) < least:
        raise ValueError(f"needs at least {least} value{'s' if least > 1 else ''}, got {len(values)}")

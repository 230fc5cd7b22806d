"""Student's t distribution without SciPy: a Raspberry Pi should not carry it for one quantile.

The regularised incomplete beta function comes from its continued fraction (NIST Digital Library of Mathematical
Functions, 8.17.22), summed by Lentz's method; the quantile by bisection and Newton steps on it.
"""

from functools import lru_cache
from math import exp, lgamma, log, log1p, pi, sqrt, tan

_TINY = 1e-300
_TERMS = 10_000


def two_sided_p(t: float, df: float) -> float:
    """The chance of a value at least as far from 0 as t. df > 0, not necessarily whole."""
    _check(df)
    whole = df + t * t
    return incomplete_beta(df / 2, 0.5, df / whole, t * t / whole)


def cumulative(t: float, df: float) -> float:
    """The chance of a value of at most t."""
    tail = two_sided_p(t, df) / 2
    return tail if t < 0 else 1 - tail


@lru_cache(maxsize=256)  # a moving mean asks for the same few thousands of times
def quantile(probability: float, df: float) -> float:
    """The t below which `probability` of all values lie. 0 < probability < 1, df > 0, not necessarily whole."""
    _check(df)
    if not 0 < probability < 1:
        raise ValueError(f"a probability lies between 0 and 1, not at {probability}")
    if probability == 0.5:
        return 0.0
    if probability < 0.5:
        return -_upper(probability, df)
    return _upper(1 - probability, df)


def incomplete_beta(a: float, b: float, x: float, rest: float) -> float:
    """I_x(a, b), regularised. a, b > 0, 0 <= x <= 1. rest: 1 - x, which the caller knows without cancellation."""
    if x <= 0 or rest <= 0:
        return 0.0 if x <= 0 else 1.0
    if x > (a + 1) / (a + b + 2):  # the fraction converges fast on the other side only
        return 1 - incomplete_beta(b, a, rest, x)
    powers = a * (log(x) if x < 0.5 else log1p(-rest)) + b * (log(rest) if rest < 0.5 else log1p(-x))
    front = exp(lgamma(a + b) - lgamma(a) - lgamma(b) + powers) / a
    c, d = 1.0, 1 / _away(1 - (a + b) * x / (a + 1))
    fraction = d
    for m in range(1, _TERMS):
        step = m * (b - m) * x / ((a + 2 * m - 1) * (a + 2 * m))
        d = 1 / _away(1 + step * d)
        c = _away(1 + step / c)
        fraction *= d * c
        step = -(a + m) * (a + b + m) * x / ((a + 2 * m) * (a + 2 * m + 1))
        d = 1 / _away(1 + step * d)
        c = _away(1 + step / c)
        fraction *= d * c
        if abs(d * c - 1) < 1e-16:
            break
    return front * fraction


def _upper(tail: float, df: float) -> float:
    """The positive t that leaves `tail` (under one half) above it."""
    if df == 1:  # Cauchy, closed
        return 1 / tan(pi * tail)
    if df == 2:
        return (1 - 2 * tail) * sqrt(2 / (4 * tail * (1 - tail)))
    low, high = 0.0, 1.0
    while two_sided_p(high, df) / 2 > tail:
        low, high = high, high * 2
    t = (low + high) / 2
    for _ in range(200):
        excess = two_sided_p(t, df) / 2 - tail
        low, high = (t, high) if excess > 0 else (low, t)
        better = t + excess / _density(t, df)
        if not low < better < high:
            better = (low + high) / 2
        if abs(better - t) <= 1e-15 * t:
            return better
        t = better
    return t


def _density(t: float, df: float) -> float:
    return exp(lgamma((df + 1) / 2) - lgamma(df / 2) - (df + 1) / 2 * log1p(t * t / df)) / sqrt(df * pi)


def _away(value: float) -> float:
    return value if abs(value) > _TINY else _TINY


def _check(df: float) -> None:
    if not df > 0:
        raise ValueError(f"degrees of freedom are above 0, not {df}")

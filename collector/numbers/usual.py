"""How sure an average is: the 95 % interval of a person's usual pressure, from a series of day means.

Usual pressure: what this cuff, arm and protocol would show on average over the months around the series, with the same
medicines, in the same season. Not covered: the cuff's own constant error, the office, the next season.

Model of one person: usual + slow drift + day + session + reading, independent parts, mmHg. The person's own day to day
spread is weighed with that of people in studies, and the slow drift, which a short series cannot show, is added:

    F = (n + 2 sum of share * 0.4 ** |ti - tj|) / n ** 2            fast part of the mean, share = day ** 2 / v0
    G = (n + 2 sum of exp(-|ti - tj| / 42)) / n ** 2                slow part
    se ** 2 = sigma2 * F + slow ** 2 * G, degrees of freedom by Satterthwaite with the slow part taken as known

The parts are set so that the model gives what studies of home measurements print; docs/decisions/averages.md has the
table, tests/bench/bench_coverage.py the share of simulated people whose usual pressure the interval holds.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import combinations
from math import exp, sqrt

from collector.numbers import descriptive
from collector.numbers.student import cumulative, quantile

DAY_CORRELATION = 0.4  # of the day part, from one day to the next; an assumption, no source
DRIFT_DAYS = 42.0  # the slow drift forgets itself as exp(-days / 42); an assumption, no source
PRIOR_DAYS = 6.0  # what the studies' spread weighs: people's own SD differ by a third of it (from 3.1 of 8.6, below)


@dataclass(frozen=True, slots=True)
class Parts:
    """SDs of the parts of one person's readings, mmHg, and of office means.

    reading: readings a minute apart, computed from NHANES 2009-12 (4.12/4.21 within a person). session and day: set so
    that all parts sum to the day-to-day SD of one morning reading in Ohasama, 8.6/5.8 (Kato and others, Am J Hypertens
    2010;23:980, abstract; volume and page from memory). slow: between the studies of repeated home averages (Asayama
    2021 and Stergiou 2002, journals not looked up; Warren and others, Br J Gen Pract 2010;60:675, PMC2930221). office:
    of one office visit, 15.3 / root of 2 (Asayama 2021, a year apart); diastolic an assumption.
    """

    reading: float
    session: float
    day: float
    slow: float
    office: float

    def variance_of_day(self, sessions: float, readings: float) -> float:
        """Of a day mean without the slow part. sessions, readings: how many a day, on average."""
        return self.day**2 + self.session**2 / sessions + self.reading**2 / readings


SYSTOLIC = Parts(reading=4.1, session=5.0, day=5.5, slow=3.5, office=10.8)
DIASTOLIC = Parts(reading=3.6, session=3.0, day=3.4, slow=2.2, office=6.5)


@dataclass(frozen=True, slots=True)
class Usual:
    """A usual pressure, mmHg. fast, slow: the two parts of the mean's variance, of 1 and of the drift's."""

    mean: float
    sd: float  # of the day means; 0 of one day
    fast: float
    slow: float
    sigma2: float  # variance of a day mean, own days and studies weighed
    se: float
    df: float
    parts: Parts
    share: float  # of the day part in the variance of a day mean

    @property
    def reach(self) -> float:
        """Half the 95 % interval."""
        return quantile(0.975, self.df) * self.se

    @property
    def low(self) -> float:
        return self.mean - self.reach

    @property
    def high(self) -> float:
        return self.mean + self.reach

    def chance_at_or_above(self, bound: float) -> float:
        """That the usual pressure is at or above the bound."""
        return cumulative((self.mean - bound) / self.se, self.df)


@dataclass(frozen=True, slots=True)
class DayMeans:
    """Day means of one pressure, mmHg, and the numbers of their days. sessions, readings: a day, on average."""

    means: tuple[float, ...]
    days: tuple[int, ...]
    sessions: float
    readings: float

    @property
    def n(self) -> int:
        return len(self.means)

    def share(self, parts: Parts) -> float:
        return parts.day**2 / parts.variance_of_day(self.sessions, self.readings)

    def own_sum(self, parts: Parts) -> float:
        """(n - 1) times what the person's own days say of the variance of a day mean; 0 of one day."""
        if self.n < 2:
            return 0.0
        fast, slow = fast_part(self.days, self.share(parts)), slow_part(self.days)
        variance = descriptive.variance(self.means)
        without_drift = variance - parts.slow**2 * self.n * (1 - slow) / (self.n - 1)
        return max(0.0, without_drift) * (self.n - 1) ** 2 / (self.n * (1 - fast))


def usual(series: DayMeans, parts: Parts, mean: float | None = None) -> Usual:
    """mean: the protocol's own, where it is another than that of the day means. Raises ValueError for no days."""
    if not series.n:
        raise ValueError("no day means, so no usual pressure")
    share = series.share(parts)
    fast, slow = fast_part(series.days, share), slow_part(series.days)
    known = PRIOR_DAYS + series.n - 1
    prior = parts.variance_of_day(series.sessions, series.readings)
    sigma2 = (PRIOR_DAYS * prior + series.own_sum(parts)) / known
    of_days, of_drift = sigma2 * fast, parts.slow**2 * slow
    return Usual(
        mean=descriptive.mean(series.means) if mean is None else mean,
        sd=descriptive.sd(series.means) if series.n > 1 else 0.0,
        fast=fast,
        slow=slow,
        sigma2=sigma2,
        se=sqrt(of_days + of_drift),
        df=satterthwaite(known, of_days, of_drift),
        parts=parts,
        share=share,
    )


def satterthwaite(df: float, estimated: float, known: float) -> float:
    """Degrees of freedom of a sum of two variances of which one is known."""
    return df * ((estimated + known) / estimated) ** 2


def fast_part(days: Sequence[int], share: float) -> float:
    n = len(days)
    return (n + 2 * sum(share * DAY_CORRELATION ** (b - a) for a, b in combinations(days, 2))) / n**2


def slow_part(days: Sequence[int]) -> float:
    n = len(days)
    return (n + 2 * sum(drift_correlation(b - a) for a, b in combinations(days, 2))) / n**2


def drift_correlation(days: float) -> float:
    return exp(-abs(days) / DRIFT_DAYS)

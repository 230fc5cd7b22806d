"""Student's t and the moments against SciPy, another implementation of the same definitions."""

from types import ModuleType

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from collector.numbers import descriptive
from collector.numbers.student import cumulative, quantile, two_sided_p

# Values that vary: SciPy gives no result where they do not (ours are in tests/numbers).
pressures = st.lists(st.floats(60, 220).map(lambda x: round(x, 1)), min_size=3, max_size=60).filter(
    lambda values: max(values) - min(values) > 0.05
)


@pytest.fixture(scope="module")
def stats() -> ModuleType:
    """Slow to load, so not while tests are collected: every worker collects every file."""
    from scipy import stats

    return stats


@pytest.mark.parametrize("df", [0.6, 1, 1.3, 2, 2.5, 3, 4, 5, 6.7, 9, 13, 15.59, 24, 30, 59.3, 100, 365, 1000, 1e5])
def test_quantiles_and_chances_equal_scipys(df: float, stats: ModuleType) -> None:
    for probability in (1e-6, 0.001, 0.025, 0.05, 0.1, 0.4, 0.49, 0.5, 0.6, 0.9, 0.95, 0.975, 0.995, 0.9999):
        assert quantile(probability, df) == pytest.approx(stats.t.ppf(probability, df), rel=1e-9, abs=1e-9)
    for t in (-20, -3, -1, -0.1, 0, 0.001, 0.5, 2, 8):
        assert two_sided_p(t, df) == pytest.approx(2 * stats.t.sf(abs(t), df), abs=1e-9)
        assert cumulative(t, df) == pytest.approx(stats.t.cdf(t, df), abs=1e-9)


@settings(deadline=None)
@given(st.floats(0.001, 0.999), st.floats(0.8, 5000))
def test_a_quantile_takes_its_chance_back(probability: float, df: float) -> None:
    assert cumulative(quantile(probability, df), df) == pytest.approx(probability, abs=1e-9)


@settings(deadline=None)
@given(pressures)
def test_moments_equal_scipys(stats: ModuleType, values: list[float]) -> None:
    told = stats.describe(values)
    assert descriptive.mean(values) == pytest.approx(told.mean, rel=1e-12)
    assert descriptive.variance(values) == pytest.approx(told.variance, rel=1e-9, abs=1e-9)
    assert descriptive.standard_error(values) == pytest.approx(stats.sem(values), rel=1e-9, abs=1e-9)
    assert descriptive.cv(values) == pytest.approx(100 * stats.variation(values, ddof=1), rel=1e-9, abs=1e-9)


def test_the_calcium_trial_as_the_textbook_prints_it() -> None:
    """Fall of systolic pressure in mmHg over 12 weeks, calcium against placebo. Data: Lyle and others, JAMA
    1987;257:1772 (page from memory), as given by Moore and McCabe, Introduction to the Practice of Statistics (data set
    CalciumBP of the R package Stat2Data, which holds the same 21 values). The textbook prints t = 1.604 with 15.6
    degrees of freedom (from memory)."""
    calcium = [7.0, -4, 18, 17, -3, -5, 1, 10, 11, -2]
    placebo = [-1.0, 12, -1, -3, 3, -5, 5, 2, -11, -1, -3]
    parts = descriptive.variance(calcium) / 10, descriptive.variance(placebo) / 11
    t = (descriptive.mean(calcium) - descriptive.mean(placebo)) / sum(parts) ** 0.5
    df = sum(parts) ** 2 / (parts[0] ** 2 / 9 + parts[1] ** 2 / 10)
    assert (t, df) == (pytest.approx(1.604, abs=5e-4), pytest.approx(15.6, abs=0.05))
    assert two_sided_p(t, df) == pytest.approx(0.129, abs=5e-4)
    assert (descriptive.mean(calcium), descriptive.mean(placebo)) == pytest.approx((5.0, -3 / 11))
    assert (descriptive.sd(calcium), descriptive.sd(placebo)) == pytest.approx((8.743, 5.901), abs=5e-4)


@pytest.mark.parametrize("wrong", [0.0, 1.0, -1.0, 2.0])
def test_no_quantile_outside_0_to_1(wrong: float) -> None:
    with pytest.raises(ValueError, match="between 0 and 1"):
        quantile(wrong, 5)


def test_no_degrees_of_freedom_no_quantile() -> None:
    with pytest.raises(ValueError, match="above 0"):
        quantile(0.9, 0)
    with pytest.raises(ValueError, match="degrees"):
        two_sided_p(1.0, 0)

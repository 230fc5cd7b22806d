"""The interval of the usual pressure, chances and what would settle them, on worked examples.

The expected figures were worked out twice, by two implementations of the formulas in `collector.numbers.usual`.
"""

from itertools import pairwise

import pytest
from hypothesis import given
from hypothesis import strategies as st

from collector.numbers.chance import Call, Further, against_bound, both, call, chance_to_settle, either, would_settle
from collector.numbers.usual import DIASTOLIC, SYSTOLIC, DayMeans, Usual, usual

WEEK_SYSTOLIC = tuple(
    sum(day) / 4
    for day in (
        (146, 141, 139, 137),
        (138, 136, 134, 131),
        (142, 137, 136, 133),
        (133, 134, 129, 128),
        (140, 136, 138, 135),
        (137, 132, 131, 130),
        (143, 139, 135, 136),
    )
)
WEEK_DIASTOLIC = tuple(
    sum(day) / 4
    for day in (
        (92, 90, 88, 87),
        (87, 86, 84, 83),
        (90, 88, 85, 84),
        (84, 83, 82, 80),
        (88, 86, 87, 85),
        (86, 84, 82, 81),
        (89, 88, 85, 86),
    )
)


def two_by_two(means: tuple[float, ...], days: tuple[int, ...]) -> DayMeans:
    return DayMeans(means, days, sessions=2, readings=4)


S = two_by_two(WEEK_SYSTOLIC[1:], (1, 2, 3, 4, 5, 6))
D = two_by_two(WEEK_DIASTOLIC[1:], (1, 2, 3, 4, 5, 6))


def figures(found: Usual) -> tuple[float, ...]:
    return tuple(
        round(value, 4)
        for value in (
            found.mean,
            found.sd,
            found.fast,
            found.slow,
            found.sigma2,
            found.se,
            found.df,
            found.low,
            found.high,
        )
    )


def test_a_week_without_its_first_day() -> None:
    systolic, diastolic = usual(S, SYSTOLIC), usual(D, DIASTOLIC)
    assert figures(systolic) == (135.125, 2.8929, 0.2702, 0.9553, 29.6133, 4.4390, 66.6964, 126.2639, 143.9861)
    assert figures(diastolic) == (85.125, 1.9922, 0.2629, 0.9553, 12.4335, 2.8095, 64.1147, 79.5126, 90.7374)
    assert round(systolic.chance_at_or_above(135), 4) == 0.5112
    assert round(diastolic.chance_at_or_above(85), 4) == 0.5177
    assert round(against_bound((systolic, diastolic), (S, D), (135, 85)).chance, 4) == 0.6517
    assert round(against_bound((systolic, diastolic), (S, D), (130, 80)).chance, 4) == 0.9768


def test_what_would_settle_that_week() -> None:
    systolic = usual(S, SYSTOLIC)
    weeks = {1: range(35, 42), 2: range(63, 70), 3: range(91, 98)}
    for more, chance, se in (
        (list(range(7, 14)), 0.1333, 3.8819),
        (list(weeks[1]), 0.2970, 3.5038),
        ([day for week in weeks.values() for day in week], 0.5249, 2.8215),
    ):
        told = chance_to_settle(systolic, S.days, 135, more)
        assert tuple(round(value, 4) for value in told) == (chance, se)
    assert would_settle(systolic, S, 135) is Further.THREE_MONTHS
    told = against_bound((systolic, usual(D, DIASTOLIC)), (S, D), (135, 85))
    assert (told.call, told.further) == (Call.TOO_CLOSE, Further.THREE_MONTHS)


def test_one_reading_a_day_with_gaps() -> None:
    series = DayMeans(
        (128, 131, 125, 133, 129, 124, 130, 127, 135, 126), (0, 1, 3, 4, 8, 9, 10, 15, 17, 18), sessions=1, readings=1
    )
    found = usual(series, SYSTOLIC)
    assert figures(found) == (128.8, 3.5214, 0.1233, 0.8518, 35.219, 3.8441, 173.6574, 121.2129, 136.3871)
    assert round(found.chance_at_or_above(130), 4) == 0.3776


def test_four_weeks_in_a_row() -> None:
    values = """139 128 147 151 133 125 142 149 138 130 127 144 152 136 129 141 146 134 126 150 137 131 145 140 128
        148 135 143"""
    found = usual(two_by_two(tuple(map(float, values.split())), tuple(range(28))), SYSTOLIC)
    assert figures(found) == (138.3571, 8.3764, 0.0646, 0.8106, 65.6854, 3.7645, 368.4387, 130.9546, 145.7597)
    assert (round(found.chance_at_or_above(135), 4), round(found.chance_at_or_above(140), 4)) == (0.8135, 0.3314)


def test_days_that_are_all_alike_are_not_certain_for_that() -> None:
    found = usual(two_by_two((131.0,) * 10, tuple(range(10))), SYSTOLIC)
    told = (found.sd, found.sigma2, found.se, found.df, found.low, found.high, found.chance_at_or_above(135))
    assert tuple(round(value, 4) for value in told) == (0, 18.7810, 3.8164, 306.4025, 123.4904, 138.5096, 0.1477)


def test_mornings_only() -> None:
    means = tuple((a + b) / 2 for a, b in ((144, 139), (137, 138), (141, 135), (136, 136), (139, 133)))
    found = usual(DayMeans(means, (0, 1, 2, 4, 5), sessions=1, readings=2), SYSTOLIC)
    assert figures(found) == (137.8, 2.2528, 0.265, 0.9524, 40.085, 4.7211, 44.0299, 128.2855, 147.3145)
    assert call(found.chance_at_or_above(135)) is Call.TOO_CLOSE
    assert round(found.chance_at_or_above(135), 4) == 0.7219


def test_one_day_alone_has_a_wide_interval_and_none_has_none() -> None:
    assert usual(two_by_two((131.0,), (0,)), SYSTOLIC).reach == pytest.approx(17.3, abs=0.5)
    with pytest.raises(ValueError, match="no day means"):
        usual(two_by_two((), ()), SYSTOLIC)


def test_more_days_never_widen_the_interval() -> None:
    reach = [usual(two_by_two((131.0, 135.0) * (n // 2), tuple(range(n))), SYSTOLIC).reach for n in (4, 6, 14, 28, 90)]
    assert all(after < before for before, after in pairwise(reach))


@given(st.floats(-4, 4), st.floats(-4, 4), st.sampled_from([-0.65, 0.0, 0.29, 0.65, 0.9]))
def test_two_values_together_as_scipy_has_them(h: float, k: float, correlation: float) -> None:
    from scipy import stats  # slow to load: every worker collects this file

    cov = [[1, correlation], [correlation, 1]]
    told = stats.multivariate_normal([0, 0], cov, abseps=1e-10, releps=1e-10).cdf([h, k])
    assert both(h, k, correlation) == pytest.approx(told, abs=2e-6)


def test_either_value_is_at_least_as_likely_as_each() -> None:
    assert either(0.3, 0.2) > 0.3
    assert either(0.0, 0.0) == pytest.approx(0, abs=1e-9)
    assert either(1.0, 0.5) == pytest.approx(1, abs=1e-9)


@pytest.mark.parametrize(
    ("chance", "said"),
    [
        (0.96, Call.CLEARLY_ABOVE),
        (0.95, Call.CLEARLY_ABOVE),
        (0.85, Call.PROBABLY_ABOVE),
        (0.79, Call.TOO_CLOSE),
        (0.21, Call.TOO_CLOSE),
        (0.20, Call.PROBABLY_BELOW),
        (0.05, Call.CLEARLY_BELOW),
    ],
)
def test_what_a_chance_is_called(chance: float, said: Call) -> None:
    assert call(chance) is said

"""Edges of the statistics; their values are held against SciPy in tests/standards."""

from decimal import Decimal

import pytest

from collector.numbers import descriptive
from collector.numbers.values import mean_of
from parsers import plausible


def test_too_few_values_are_refused() -> None:
    for function, least in ((descriptive.mean, 1), (descriptive.sd, 2), (descriptive.arv, 2), (descriptive.rmssd, 2)):
        with pytest.raises(ValueError, match="needs at least"):
            function([1.0] * (least - 1))


def test_gaps_fit_the_steps() -> None:
    with pytest.raises(ValueError, match="gap"):
        descriptive.arv([1.0, 2.0, 3.0], [1.0])
    with pytest.raises(ValueError, match="gap"):
        descriptive.arv([1.0, 2.0], [0.0])


def test_no_coefficient_of_variation_round_zero() -> None:
    with pytest.raises(ValueError, match="mean is 0"):
        descriptive.cv([-1.0, 1.0])


def test_the_measures_of_a_log_with_gaps() -> None:
    """A worked example, to four decimals; a step over a gap counts by its length where gaps are given."""
    text = "140 135 138 130 140 132 150 140 137 130 128 140 135 130 141 140 136 130 145 140"
    log = [float(value) for value in text.split()]
    gaps = [
        float(gap)
        for gap in ["1", "1", "2", "1", "1", "1", "3", "1", "1", "1", "1", "2", "1", "1", "1", "1", "1", "4", "1"]
    ]
    told = descriptive.sd(log), descriptive.cv(log), descriptive.arv(log), descriptive.arv(log, gaps)
    assert [round(value, 4) for value in told] == [5.6872, 4.1558, 7.2632, 8.3077]
    assert (round(descriptive.rmssd(log), 4), max(log) - min(log)) == (8.4791, 22)


def test_a_mean_needs_values_and_is_exact() -> None:
    with pytest.raises(ValueError, match="no values"):
        mean_of([])
    assert mean_of([Decimal("0.1")] * 3) == Decimal("0.1")
    assert mean_of([Decimal(135)] * 7) == 135


@pytest.mark.parametrize(
    ("values", "marks"),
    [
        ((120, 80, 60), 0),
        ((50, 20, 25), 0),
        ((280, 180, 220), 0),
        ((49, 20, 60), 1),
        ((281, 80, 60), 1),
        ((120, 19, 60), 1),
        ((120, 0, 60), 1),
        ((260, 181, 60), 1),
        ((120, 111, 60), 1),
        ((120, 110, 60), 0),
        ((120, 80, 24), 1),
        ((120, 80, 221), 1),
        ((80, 120, 60), 1),
        ((None, None, None), 0),
    ],
)
def test_implausible_values_are_told(values: tuple[int | None, ...], marks: int) -> None:
    told = plausible.marks(*(None if value is None else Decimal(value) for value in values))
    assert len(told) == marks

"""Findings in words."""

from datetime import timedelta
from decimal import Decimal

import pytest
from homeseries import DAY_ONE, series, week
from one_reading import one_reading
from reportcases import CASES

from collector.numbers import words
from collector.numbers.average import average
from collector.numbers.change import change
from collector.numbers.office_home import OfficeHome
from collector.numbers.protocols import protocol
from collector.numbers.trend import trend
from collector.share.text import findings
from collector.share.text.cautions import very_high
from collector.share.text.change_text import difference_rows
from collector.share.text.trend_text import trend_rows


def test_home_against_office_is_told_with_the_chance_of_its_own_class() -> None:
    data = CASES["full_house"]()
    assert data.office
    assert data.office.by_means
    chance = dict(zip(OfficeHome, data.office.chances, strict=True))[data.office.by_means]
    assert 0 < chance < 1
    said = findings.office_home_text(data.office, data.average)
    assert f"chance that it holds {words.chance(chance)}" in said
    assert words.chance(chance) != words.chance(0.0)


@pytest.mark.parametrize(("lift", "place"), [(0, "Below"), (20, "At or above")])
def test_the_second_threshold_is_told_with_its_side_and_its_class(lift: int, place: str) -> None:
    rules = protocol("nice-ng136")
    rows = [[*row[:2], row[2] + lift, row[3] + lift] for row in week()]
    said = list(findings.further_verdicts(average(series(rows), rules)))
    assert said[0] == f"{place} {rules.second_threshold} mmHg, {rules.second_class}."


def test_a_series_too_short_to_be_judged_is_not_judged_by_the_second_threshold_either() -> None:
    found = average(series(week([1, 2])), protocol("nice-ng136"))
    assert found.second_at_or_above is None
    assert not [said for said in findings.further_verdicts(found) if said.startswith(("At or above", "Below"))]


def test_a_change_has_what_was_before_first_and_what_came_after_second() -> None:
    """By hand: 140/90 before, 130/84 after, every day alike."""
    rows = week(range(1, 8), morning=[(140, 90)] * 2, evening=[(140, 90)] * 2)
    rows += week(range(29, 36), morning=[(130, 84)] * 2, evening=[(130, 84)] * 2)
    found = change(series(rows), (DAY_ONE + timedelta(days=9)).date(), protocol("aha-ama-2020"))
    systolic, diastolic = difference_rows(found)
    assert systolic[:4] == ("systolic", "140.0", "130.0", "-10.0")
    assert diastolic[:4] == ("diastolic", "90.0", "84.0", "-6.0")


@pytest.mark.parametrize(
    ("pressures", "said"),
    [
        ((134, 86), "134.0/86.0 *"),
        ((135, 84), "135.0/84.0 *"),
        ((134, 85), "134.0/85.0 *"),
        ((134, 84), "134.0/84.0  "),
    ],
)
def test_a_week_has_its_star_for_either_pressure(pressures: tuple[int, int], said: str) -> None:
    found = trend(series(week(range(1, 4), morning=[pressures], evening=[pressures])), protocol("esh-2023"))
    (_, (row,)) = trend_rows(found, monthly=False)
    assert row[1] == said


@pytest.mark.parametrize(
    ("pressures", "unit", "high"),
    [
        (("24.0", "10.0"), "kPa", True),
        (("23.9", "10.0"), "kPa", False),
        (("20.0", "16.0"), "kPa", True),
        ((179, 119), "mmHg", False),
    ],
)
def test_very_high_is_judged_in_mmhg(pressures: tuple[str, str], unit: str, high: bool) -> None:
    """180/120 mmHg are 23.998/15.999 kPa."""
    systolic, diastolic = (Decimal(value) for value in pressures)
    assert very_high(one_reading(systolic=systolic, diastolic=diastolic, unit=unit)) is high


@pytest.mark.parametrize(("value", "said"), [(3.04, "+3.0"), (-3.04, "-3.0"), (0.04, "0.0"), (-0.04, "0.0")])
def test_a_difference_has_its_sign_unless_it_is_none(value: float, said: str) -> None:
    assert findings.signed(value) == said

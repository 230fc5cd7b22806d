"""Findings in words."""

import pytest
from homeseries import series, week
from reportcases import CASES

from collector.numbers import words
from collector.numbers.average import average
from collector.numbers.office_home import OfficeHome
from collector.numbers.protocols import protocol
from collector.share.text import findings


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


@pytest.mark.parametrize(("value", "said"), [(3.04, "+3.0"), (-3.04, "-3.0"), (0.04, "0.0"), (-0.04, "0.0")])
def test_a_difference_has_its_sign_unless_it_is_none(value: float, said: str) -> None:
    assert findings.signed(value) == said

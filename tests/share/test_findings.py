"""Findings in words."""

from reportcases import CASES

from collector.numbers import words
from collector.numbers.office_home import OfficeHome
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

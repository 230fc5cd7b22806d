"""Last digits and copied sittings of a hand-written log."""

from datetime import datetime
from decimal import Decimal
from random import Random
from zoneinfo import ZoneInfo

import pytest
from homeseries import sample

from collector.numbers.log_digits import at_least, copied, last_digits

TENS = """140 135 138 130 140 132 150 140 137 130 128 140 135 130 141 140 136 130 145 140
    90 85 88 80 90 84 95 90 86 80 82 90 85 80 91 90 87 80 92 90"""


def values(text: str) -> list[Decimal]:
    return [Decimal(word) for word in text.split()]


def test_many_zeros_are_worth_asking_about() -> None:
    """A worked example: 21 of 40 values end in 0."""
    told = last_digits(values(TENS))
    assert told
    assert (told.values, told.zeros, told.worth_asking) == (40, 21, True)
    assert told.chance == pytest.approx(1.96e-11, rel=0.005)


def test_a_chance_is_scipys() -> None:
    from scipy import stats  # slow to load: every worker collects this file

    assert at_least(21, 40, 0.1) == pytest.approx(stats.binom.sf(20, 40, 0.1))
    assert at_least(0, 40, 0.1) == pytest.approx(1)


def test_honest_values_are_rarely_asked_about() -> None:
    dice = Random(5)
    asked = 0
    for _ in range(500):
        log = [Decimal(round(dice.gauss(mean, 8))) for mean in (134, 84) for _ in range(28)]
        told = last_digits(log)
        assert told
        asked += told.worth_asking
    assert asked <= 5


def test_a_cuff_that_shows_even_values_only_has_more_zeros() -> None:
    even = [Decimal(2 * (60 + n * 7 % 20)) for n in range(40)]
    told = last_digits(even)
    assert told
    assert told.zeros / told.values == pytest.approx(0.2)
    assert not told.worth_asking


def test_few_values_say_nothing() -> None:
    assert last_digits(values("140 130 90 80")) is None


def test_second_readings_like_the_first_are_counted() -> None:
    at = datetime(2026, 3, 2, 7, tzinfo=ZoneInfo("Europe/Vienna"))
    same = [sample(at, 130, 80), sample(at.replace(minute=1), 130, 80)]
    other = [sample(at, 130, 80), sample(at.replace(minute=1), 131, 80)]
    assert copied([same, other, same, [sample(at)]]) == 2

"""Before and after a change: what is compared, how sure it is, and when nothing is said."""

from datetime import date, timedelta
from random import Random

import pytest
from homeseries import DAY_ONE, sample, series, week

from collector.numbers.change import PEOPLE, Difference, Said, change, compare, expected_fall
from collector.numbers.custom import custom
from collector.numbers.protocols import protocol
from collector.numbers.usual import SYSTOLIC, DayMeans, usual
from collector.numbers.values import Sample

AMA = protocol("aha-ama-2020")
ESH = protocol("esh-2023")


def day(number: int) -> date:
    return (DAY_ONE + timedelta(days=number - 1)).date()


def noisy(days: range, centre: int, seed: int = 1) -> list[Sample]:
    dice = Random(seed)
    return series(
        [
            [number, session, centre + dice.randint(-8, 8) // 2 * 2, centre - 50 + dice.randint(-4, 4)]
            for number in days
            for session in ("morning", "evening")
            for _ in (1, 2)
        ]
    )


BEFORE = DayMeans((148.5, 143.25, 151, 146.75, 140.5, 149.25), (1, 2, 3, 4, 5, 6), sessions=2, readings=4)
AFTER = DayMeans((137, 141.5, 133.75, 139.25, 135.5, 138), tuple(range(22, 28)), sessions=2, readings=4)


def test_two_weeks_by_the_model() -> None:
    """A worked example: worked out twice, by two implementations of the formulas."""
    told = compare(BEFORE, AFTER, SYSTOLIC, (132, 12))
    values = (told.difference, told.se, told.df, told.low, told.high, told.chance_lower)
    assert tuple(round(value, 4) for value in values) == (-9.0417, 4.7180, 41.9993, -18.5630, 0.4797, 0.9689)
    assert told.said is Said.LIKELY
    assert round(expected_fall(usual(BEFORE, SYSTOLIC), 0, (132, 12)) or 0, 4) == 1.8301
    assert round(told.falls_by_itself or 0, 4) == 1.1731
    back = compare(AFTER, BEFORE, SYSTOLIC, (132, 12))
    assert (round(back.difference, 4), back.said) == (9.0417, Said.LIKELY)
    assert compare(BEFORE, AFTER, SYSTOLIC, (150, 12)).falls_by_itself is None


@pytest.mark.parametrize(
    ("chance", "said"),
    [
        (0.98, Said.CLEAR),
        (0.975, Said.CLEAR),
        (0.95, Said.LIKELY),
        (0.5, Said.UNKNOWN),
        (0.11, Said.UNKNOWN),
        (0.09, Said.LIKELY),
        (0.02, Said.CLEAR),
    ],
)
def test_the_wording_follows_from_the_one_chance(chance: float, said: Said) -> None:
    one = Difference(before=140, after=135, difference=-5, se=3, df=50, chance_lower=chance, falls_by_itself=None)
    assert one.said is said


def test_a_difference_is_clear_where_the_interval_leaves_out_nought_and_only_there() -> None:
    for fall in range(20):
        after = DayMeans(tuple(value - fall for value in BEFORE.means), AFTER.days, sessions=2, readings=4)
        told = compare(BEFORE, after, SYSTOLIC, PEOPLE[0])
        assert (told.said is Said.CLEAR) == (told.high < 0 or told.low > 0)


def test_four_weeks_a_side_make_clear_what_one_week_leaves_open() -> None:
    short = change(noisy(range(1, 8), 150) + noisy(range(25, 32), 140, 2), day(10), AMA)
    long = change(noisy(range(1, 29), 150) + noisy(range(45, 73), 140, 2), day(30), AMA)
    assert short.systolic
    assert long.systolic
    assert long.systolic.se < short.systolic.se
    assert long.systolic.said is Said.CLEAR


def test_days_after_the_change_are_left_out_first() -> None:
    samples = noisy(range(1, 8), 150) + noisy(range(9, 60), 130, 2)
    found = change(samples, day(8), AMA)
    assert (found.before.last, found.after.first) == (day(7), day(22))
    assert found.after.last == day(22 + 27)
    assert change(samples, day(8), AMA, washout_days=0).after.first == day(9)
    assert change(samples, DAY_ONE + timedelta(days=7), AMA).at == day(8)


def test_the_day_of_the_change_is_on_no_side_and_both_drop_the_same_days() -> None:
    found = change(noisy(range(1, 60), 140), day(20), ESH)
    assert found.before.last == day(19)
    assert found.after.first == day(34)
    assert found.before.grid[0].left_out
    assert found.after.grid[0].left_out


def test_other_changes_are_respected() -> None:
    samples = noisy(range(1, 100), 140)
    found = change(samples, day(50), AMA, other_changes=[day(30), day(80)])
    assert (found.before.first, found.before.last) == (day(44), day(49))
    assert (found.after.first, found.after.last) == (day(64), day(79))


@pytest.mark.parametrize(
    ("samples", "told"),
    [
        ([], ["before the change: readings (there are none)", "from 14 days after it: readings (there are none)"]),
        (noisy(range(1, 8), 140), ["from 14 days after it: readings (there are none)"]),
        (noisy(range(1, 3), 140) + noisy(range(30, 37), 140), ["before the change: 1 more day with readings (2 of 3)"]),
    ],
)
def test_too_few_days_are_refused_with_reasons(samples: list[Sample], told: list[str]) -> None:
    found = change(samples, day(12), AMA)
    assert found.overall is found.morning is found.systolic is found.diastolic is None
    for reason in told:
        assert any(reason in one for one in found.refused), found.refused


def test_readings_that_do_not_count_are_not_called_none() -> None:
    """Why the days that are there do not count, once a side."""
    samples = noisy(range(5, 12), 140) + noisy(range(40, 47), 140)
    assert change(samples, day(20), AMA, other_changes=[day(2), day(32)]).refused == (
        f"before the change: readings (the last, of {day(11)}, lies within 14 days of the change of {day(2)})",
        f"from 14 days after it: readings (the next, of {day(40)}, comes after the change of {day(32)})",
    )
    assert change(samples, day(35), AMA, other_changes=[day(15)]).refused == (
        f"before the change: readings (the last, of {day(11)}, comes before the change of {day(15)})",
        f"from 14 days after it: readings (the last, of {day(46)}, lies within 14 days of the change of {day(35)})",
    )


def test_two_days_that_a_protocol_accepts_are_too_few_to_compare() -> None:
    samples = series(week([1, 2])) + series(week([30, 31]))
    assert change(samples, day(5), protocol("acc-aha-2017")).refused == (
        "before the change: 3 days that count (2 of 3)",
        "from 14 days after it: 3 days that count (2 of 3)",
    )


def test_it_is_a_difference_with_its_cautions() -> None:
    found = change(noisy(range(1, 8), 150) + noisy(range(100, 107), 130, 2), day(8), AMA)
    text = " ".join(found.cautions).lower()
    assert "effect" not in text
    assert "season" in text
    assert "does not tell what made it" in text
    assert not any("season" in one for one in change(noisy(range(1, 60), 140), day(20), AMA).cautions)


def test_one_session_alone_is_compared_where_it_can_be() -> None:
    rows = week(range(1, 8), evening=[]) + week(range(25, 32), evening=[])
    found = change(series(rows), day(10), custom({"name": "mornings", "threshold": [135, 85]}))
    assert found.overall
    assert found.morning
    assert found.evening is None


def test_a_reading_alone_says_nothing() -> None:
    assert change([sample(DAY_ONE.replace(hour=7))], day(2), AMA).refused


def test_without_days_after_it_no_day_before_it_stands_for_them() -> None:
    found = change(noisy(range(1, 8), 140), day(20), AMA, washout_days=14)  # 14 days before it there were readings
    assert (found.before.days_used > 0, found.after.days_used) == (True, 0)
    assert found.overall is None

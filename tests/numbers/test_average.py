"""The average: what it is made of, how far to trust it, and what does not change it."""

from dataclasses import replace
from datetime import timedelta
from decimal import Decimal

import pytest
from homeseries import DAY_ONE, rising, sample, series, week

from collector.numbers import descriptive
from collector.numbers.average import average
from collector.numbers.custom import custom
from collector.numbers.protocols import PROTOCOLS, protocol
from collector.numbers.values import Pair, SpreadOf, WrittenBy

NICE = protocol("nice-ng136")
AMA = protocol("aha-ama-2020")


def test_the_interval_of_these_days_comes_from_day_means() -> None:
    found = average(rising(), NICE)
    days = [130 + 2 * day + 0.5 for day in range(2, 8)]
    assert found.these_days
    assert found.these_days.systolic == pytest.approx(descriptive.margin(days))
    assert average(rising(2), AMA).these_days is None


def test_the_interval_of_the_usual_pressure_is_round_the_protocols_mean() -> None:
    rows = [row for row in week() if row[:2] != [4, "evening"]]
    found = average(series(rows), NICE)
    assert found.usual
    assert found.systolic is not None
    systolic, _ = found.usual
    assert systolic.mean == pytest.approx(float(found.systolic))
    assert found.these_days
    assert systolic.reach > found.these_days.systolic
    assert found.standing
    assert 0 < found.standing.chance < 1


def test_spread_says_what_it_was_reckoned_from() -> None:
    for unit, count in zip(SpreadOf, (6, 6, 6, 24), strict=True):
        spread = average(rising(), NICE, spread_of=unit).spread
        assert (spread.unit, spread.n) == (unit, count)
    assert average(rising(1), AMA).sd is None


def test_a_step_over_a_missing_day_counts_by_its_length() -> None:
    rules = custom({"name": "one", "threshold": [135, 85], "min_days": 1, "per_session": 1})
    found = average(series([[1, "morning", 120, 80], [2, "morning", 130, 80], [4, "morning", 120, 80]]), rules)
    assert found.arv == Pair(pytest.approx(10.0), 0.0)
    uneven = average(series([[1, "morning", 120, 80], [2, "morning", 126, 80], [4, "morning", 123, 80]]), rules)
    assert uneven.arv
    assert uneven.arv.systolic == pytest.approx((6 * 1 + 3 * 2) / 3)


def test_the_grid_shows_every_day_and_session() -> None:
    found = average(series(week([1, 2, 4], evening=[(130, 80)])), NICE)
    cells = [(row.number, row.left_out, row.morning.used, row.evening.used, row.evening.taken) for row in found.grid]
    assert cells == [(1, True, 0, 0, 1), (2, False, 2, 1, 1), (None, False, 0, 0, 0), (3, False, 2, 1, 1)]
    assert all(row.morning.wanted == 2 for row in found.grid)
    assert (found.had, found.wanted) == (9, 28)


def test_pulses_are_averaged_over_those_that_have_one() -> None:
    samples = [sample(DAY_ONE.replace(hour=7), pulse=60), sample(DAY_ONE.replace(hour=20), pulse=None)]
    found = average(samples, AMA)
    assert found.pulse == 60
    assert found.evening
    assert found.evening.pulse is None


def test_hand_written_and_hasty_readings_are_counted() -> None:
    start = DAY_ONE.replace(hour=7)
    hasty = sample(start + timedelta(seconds=40), 131, name="b", source=WrittenBy.HAND)
    found = average([sample(start, name="a"), hasty], AMA)
    assert (found.hand_written, found.too_close) == (1, 1)


def test_consecutive_days_where_the_protocol_asks_for_them() -> None:
    rows = week([1, 2, 3, 5, 6], morning=[(130, 80)] * 3, evening=[(130, 80)] * 3)
    assert average(series(rows), protocol("doane-2018")).short_of == ("5 days in a row (the longest run is 3)",)


def test_one_session_only_is_short_where_both_decide() -> None:
    found = average(series(week(range(1, 8), evening=[])), protocol("jsh-2019"))
    assert found.short_of == ("evening readings (there are none)",)
    assert found.at_or_above is found.morning_at_or_above is found.standing is None
    whole = average(series(week(range(1, 8))), protocol("jsh-2019"))
    assert (whole.decides, whole.at_or_above, whole.evening_at_or_above) == ("morning", True, False)
    low = average(series(week(range(1, 8), morning=[(120, 70)], evening=[(118, 70)])), protocol("jsh-2019"))
    assert (low.decides, low.at_or_above) == ("morning and evening", False)


@pytest.mark.parametrize("name", list(PROTOCOLS))
def test_mornings_alone_are_valid_under_no_published_protocol(name: str) -> None:
    many = [(130, 80)] * 6
    found = average(series(week(range(1, 8), morning=many, evening=[])), PROTOCOLS[name])
    assert "evening readings (there are none)" in found.short_of
    assert not found.valid


def test_one_casual_reading_after_a_whole_week_leaves_the_week_its_average() -> None:
    samples = [*series(week()), sample((DAY_ONE + timedelta(days=12)).replace(hour=7), 170, 100, name="casual")]
    found = average(samples, NICE)
    assert found.valid
    assert (found.last, found.later) == ((DAY_ONE + timedelta(days=6)).date(), 1)
    assert "casual" not in found.used_ids
    late = [*series(week()), sample((DAY_ONE + timedelta(days=60)).replace(hour=7), 170, 100, name="casual")]
    assert not average(late, NICE).valid
    assert average(series(week()), NICE).later == 0


def test_missing_sessions_are_counted() -> None:
    rows = [row for row in week() if row[:2] != [4, "evening"]]
    found = average(series(rows), NICE)
    assert found.missing == (((DAY_ONE + timedelta(days=3)).date(), "evening"),)


def test_the_cuffs_own_mean_pressure_where_every_reading_has_one() -> None:
    samples = [replace(one, mean=Decimal(100)) for one in series(week())]
    assert average(samples, NICE).mean_by_cuff == 100
    assert average([*samples[:-1], replace(samples[-1], mean=None)], NICE).mean_by_cuff is None


def test_the_mean_of_sessions_decides_where_the_protocol_says_so() -> None:
    rows = [
        row for row in week(range(1, 4), morning=[(140, 88)] * 2, evening=[(129, 79)] * 2) if row[:2] != [2, "evening"]
    ]
    rules = custom({"name": "halves", "based_on": "aha-ama-2020", "averaging": "sessions", "min_readings": 8})
    found = average(series(rows), rules)
    assert (found.decides, found.systolic) == ("mean of morning and evening", Decimal("134.5"))
    assert found.pooled
    assert found.pooled.systolic == Decimal(6 * 140 + 4 * 129) / 10

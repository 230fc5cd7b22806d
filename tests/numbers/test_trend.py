"""Weeks, months, moving means, and the plot in characters."""

from datetime import date, timedelta

import pytest
from homeseries import DAY_ONE, sample, series, week
from hypothesis import given, settings
from hypothesis import strategies as st

from collector.numbers import descriptive
from collector.numbers.plot import trend_text
from collector.numbers.protocols import protocol
from collector.numbers.trend import Trend, trend
from collector.numbers.values import Sample

NICE = protocol("nice-ng136")


def day(number: int) -> date:
    return (DAY_ONE + timedelta(days=number - 1)).date()


def daily(values: list[int]) -> list[Sample]:
    return [
        sample((DAY_ONE + timedelta(days=number)).replace(hour=7), value, value - 50, name=str(number))
        for number, value in enumerate(values)
    ]


def test_weeks_begin_on_mondays_and_months_are_calendar_months() -> None:
    told = trend(series(week(range(1, 36))), NICE)  # day 1 is Monday, 2 March 2026
    assert [(one.first, one.last, one.days, one.readings) for one in told.weeks][:2] == [
        (day(1), day(7), 7, 28),
        (day(8), day(14), 7, 28),
    ]
    assert [(one.first, one.last, one.days) for one in told.months] == [
        (date(2026, 3, 1), date(2026, 3, 31), 30),
        (date(2026, 4, 1), date(2026, 4, 30), 5),
    ]
    assert (told.weeks[0].systolic, told.weeks[0].diastolic) == (134.0, 84.0)


def test_day_1_counts_in_a_trend_and_bad_readings_do_not() -> None:
    samples = [
        *daily([150, 140]),
        sample(DAY_ONE.replace(hour=13), name="noon"),
        sample(DAY_ONE.replace(hour=8), name="moved", status=["body movement"]),
    ]
    told = trend(samples, NICE)
    assert [(one.day, one.systolic, one.readings) for one in told.days] == [(day(1), 150.0, 1), (day(2), 140.0, 1)]


def test_the_moving_mean_and_its_band() -> None:
    values = [120, 130, 125, 135, 128, 122, 131, 140, 119]
    told = trend(daily(values), NICE)
    assert [one.days for one in told.moving] == [1, 2, 3, 4, 5, 6, 7, 7, 7]
    last = told.moving[-1]
    assert last.systolic == pytest.approx(descriptive.mean(list(map(float, values[2:]))))
    assert last.margin
    assert last.margin.systolic == pytest.approx(descriptive.margin(list(map(float, values[2:]))))
    assert told.moving[1].margin is None


def test_a_pause_empties_the_window() -> None:
    told = trend([*daily([120, 130]), sample(DAY_ONE.replace(hour=7) + timedelta(days=30), 150, 90)], NICE)
    assert (told.moving[-1].days, told.moving[-1].systolic) == (1, 150.0)


def test_nothing_gives_nothing() -> None:
    empty = trend([], NICE)
    assert (empty.days, empty.weeks, empty.months, empty.moving) == ((), (), (), ())
    assert trend_text(empty) == ["No readings to plot."]
    with pytest.raises(ValueError, match="at least 1 day"):
        trend([], NICE, window_days=0)


def test_the_plot_as_it_looks() -> None:
    values = [150, 148, 149, 146, 144, 145, 141, 139, 138, 136, 134, 133, 134, 132]
    lines = trend_text(trend(daily(values), NICE), width=44, height=12, changes=[day(5)], ascii_only=True)
    assert lines == EXPECTED


EXPECTED = [
    "systolic, mmHg",
    "150 |o     :  :  :",
    "145 |   o  o  o  o  o  o :  :",
    "140 |            :  :  : o  o  o  :  :",
    "135 |-----------------------:--:--o--o--o--o",
    "diastolic, mmHg",
    "100 |o     :  :  :",
    " 95 |   o  o  o  o  o  o :  :",
    " 90 |            :  :  : o  o  o  :  :",
    " 85 |-----------------------:--:--o--o--o--o",
    "    +------------^--------------------------",
    "     2026-03-02                   2026-03-15",
    "o mean of 7 days   : 95 % band",
    "- threshold 135/85 mmHg   ^ noted change",
    "last: 135.1/85.1 mmHg",
]


@settings(deadline=None)
@given(st.lists(st.integers(90, 210), min_size=1, max_size=60), st.integers(0, 140), st.integers(1, 40), st.booleans())
def test_no_line_is_wider_than_asked_and_every_sign_is_explained(
    values: list[int], width: int, height: int, ascii_only: bool
) -> None:
    told = trend(daily(values), NICE)
    lines = trend_text(told, width, height, [day(3)], ascii_only)
    assert max(map(len, lines)) <= max(width, 32)
    text = "\n".join(lines)
    assert "systolic" in text
    assert "diastolic" in text
    assert "mmHg" in text
    assert "threshold 135/85" in text
    if ascii_only:
        assert text.isascii()
    assert ("noted change" in text) == (len(values) >= 3)


def test_three_years_fit_into_one_screen() -> None:
    values = [130 + (number * 7) % 25 for number in range(1100)]
    told: Trend = trend(daily(values), NICE)
    lines = trend_text(told, 80, 20)
    assert len(lines) <= 26
    assert len(told.months) == 37

"""What a plan has had until today, and what was taken for it. The protocol's source stands in the numbers."""

from datetime import date, datetime, timedelta
from zoneinfo import ZoneInfo

import pytest

from collector.numbers.protocols import protocol
from collector.service.notices.series_progress import NEWS_FOR_DAYS, so_far

ESH = protocol("esh-2023")  # two readings, morning and evening, seven days
FIRST = date(2031, 3, 4)
LISBON = ZoneInfo("Europe/Lisbon")


def at(day: int, hour: int, minute: int = 0) -> datetime:
    return datetime(2031, 3, 4, hour, minute, tzinfo=LISBON) + timedelta(days=day)


def session(day: int, hour: int, count: int = 2) -> list[datetime]:
    return [at(day, hour, minute) for minute in range(count)]


def today(days: int) -> date:
    return FIRST + timedelta(days=days)


@pytest.mark.parametrize(
    ("days", "expected"), [(-1, 0), (0, 0), (1, 4), (3, 12), (7, 28), (7 + NEWS_FOR_DAYS, 28), (8 + NEWS_FOR_DAYS, 0)]
)
def test_what_the_plan_has_had(days: int, expected: int) -> None:
    assert so_far([], ESH, FIRST, today(days)) == (0, expected)


def test_a_full_series_is_not_short() -> None:
    taken = [moment for day in range(7) for hour in (7, 21) for moment in session(day, hour)]
    assert so_far(taken, ESH, FIRST, today(7)) == (28, 28)


def test_many_in_the_morning_do_not_make_up_for_the_evening() -> None:
    assert so_far(session(0, 7, 9), ESH, FIRST, today(1)) == (2, 4)


def test_readings_at_noon_on_other_days_and_of_today_do_not_count() -> None:
    taken = session(0, 13) + session(-1, 7) + session(1, 7)
    assert so_far(taken, ESH, FIRST, today(1)) == (0, 4)


def test_past_midnight_belongs_to_the_evening_before() -> None:
    assert so_far([at(1, 0, 30)], ESH, FIRST, today(1)) == (1, 4)

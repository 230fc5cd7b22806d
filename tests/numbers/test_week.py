"""The seven days up to today, and what is next."""

from datetime import UTC, datetime, timedelta
from decimal import Decimal

import pytest

from collector.numbers import words
from collector.numbers.average import average
from collector.numbers.protocols import PROTOCOLS
from collector.numbers.values import Sample
from collector.numbers.week import Done, after_very_high, next_step, week

ESH = PROTOCOLS["esh-2023"]  # mornings 04:00 to 12:00, evenings 16:00 to 02:00, two readings each
DAY = datetime(2031, 3, 4, tzinfo=UTC)


def taken(*hours: float) -> list[Sample]:
    return [
        Sample(f"{number:02}", DAY + timedelta(hours=hour), Decimal(130), Decimal(80), Decimal(60))
        for number, hour in enumerate(hours)
    ]


def states(now: datetime, *hours: float) -> list[Done]:
    """Of mornings and evenings, the oldest first."""
    samples = taken(*hours)
    return [slot.state for day in week(samples, average(samples, ESH), now) for slot in day.sessions]


@pytest.mark.parametrize(
    ("hour", "morning", "evening"),
    [
        (4.0, Done.DUE, Done.LATER),
        (11.9, Done.DUE, Done.LATER),
        (12.0, Done.MISSED, Done.LATER),
        (16.0, Done.MISSED, Done.DUE),
        (25.9, Done.MISSED, Done.DUE),  # before two at night it is still the evening before
        (26.1, Done.MISSED, Done.MISSED),
    ],
)
def test_a_session_is_due_in_its_hours_and_missed_after_them(hour: float, morning: Done, evening: Done) -> None:
    """The series began the day before."""
    assert states(DAY + timedelta(hours=hour), -17, -16.9)[-2:] == [morning, evening]


def test_done_in_part_and_not_asked() -> None:
    found = states(DAY + timedelta(hours=30), 7, 7.1, 17)
    assert found[-4:-2] == [Done.WHOLE, Done.PART]
    assert found[:10] == [Done.NOT_ASKED] * 10


def test_a_reading_that_does_not_count_makes_nothing_done() -> None:
    moved = [
        Sample("a", DAY + timedelta(hours=7), Decimal(1), Decimal(1), None, frozenset({"body movement"})),
        Sample("b", DAY + timedelta(hours=8), None, None, None),
    ]
    assert week(moved, average(moved, ESH), DAY + timedelta(hours=9))[-1].sessions[0].taken == 0


@pytest.mark.parametrize(
    ("hour", "hours", "said"),
    [
        (7.2, (), "It is time for your morning readings: take 2 readings, one minute apart."),
        (7.2, (7,), "It is time for your morning readings: take 1 reading, one minute apart."),
        (7.2, (7, 7.1), "Next: 2 readings this evening, from 16:00 on."),
        (13, (), "Next: 2 readings this evening, from 16:00 on."),
        (17.2, (17, 17.1), "You are done for today. Next: 2 readings tomorrow morning, from 04:00 on."),
    ],
)
def test_what_is_next(hour: float, hours: tuple[float, ...], said: str) -> None:
    samples = taken(*hours)
    found = average(samples, ESH)
    assert next_step(week(samples, found, DAY + timedelta(hours=hour)), found) == said


def test_after_a_whole_series_nothing_is_due_any_more() -> None:
    samples = taken(*(24 * day + hour for day in range(7) for hour in (7, 7.1, 19, 19.1)))
    found = average(samples, ESH)
    assert found.complete
    later = week(samples, found, DAY + timedelta(days=8, hours=8))
    assert later[-1].sessions[0].state is Done.NOT_ASKED
    assert next_step(later, found).startswith("Your series is complete.")


@pytest.mark.parametrize(
    ("values", "minutes_later", "said"),
    [
        ((186,), 1, words.very_high()),
        ((186,), 61, ""),
        ((186, 150), 1, ""),
        ((150, 186), 1, words.very_high()),
        ((186, 184), 1, words.still_very_high()),
        ((), 1, ""),
    ],
)
def test_after_a_very_high_reading_of_the_last_hour(values: tuple[int, ...], minutes_later: int, said: str) -> None:
    samples = [
        Sample(f"{number:02}", DAY + timedelta(minutes=number), Decimal(systolic), Decimal(80), Decimal(60))
        for number, systolic in enumerate(values)
    ]
    assert after_very_high(samples, DAY + timedelta(minutes=len(values) - 1 + minutes_later)) == said

"""Dates in words, and where a time axis gets its labels. English, whatever the machine's language."""

from collections.abc import Iterator
from datetime import date, datetime, timedelta

MONTHS = ("Jan", "Feb", "Mar", "Apr", "May", "Jun", "Jul", "Aug", "Sep", "Oct", "Nov", "Dec")


def written(day: date) -> str:
    """'2 Mar 2026'."""
    return f"{day.day} {MONTHS[day.month - 1]} {day.year}"


def span(first: date | None, last: date | None) -> str:
    """'2 to 8 Mar 2026', as short as it stays clear."""
    if first is None or last is None:
        return "no readings"
    if first == last:
        return written(first)
    if (first.year, first.month) == (last.year, last.month):
        return f"{first.day} to {written(last)}"
    if first.year == last.year:
        return f"{first.day} {MONTHS[first.month - 1]} to {written(last)}"
    return f"{written(first)} to {written(last)}"


def made(at: datetime) -> str:
    return f"{written(at)}, {at:%H:%M}"


def ticks(first: date, last: date, most: int) -> list[tuple[date, str]]:
    """Days to label on an axis, at most `most` of them: days, weeks, months, quarters or years."""
    days = (last - first).days + 1
    for step in (1, 2, 7, 14):
        if -(-days // step) <= most:
            start = first if step < 7 else first + timedelta(-first.weekday() % 7)
            return [(day, f"{day.day} {MONTHS[day.month - 1]}") for day in _every(start, last, step)]
    months = (last.year - first.year) * 12 + last.month - first.month + 1
    for step in (1, 2, 3, 6, 12, 24, 60):
        if -(-months // step) <= most:
            return [
                (day, f"{MONTHS[day.month - 1]} {day.year}" if step < 12 else str(day.year))
                for day in _months(first, last, step)
            ]
    return [(first, str(first.year)), (last, str(last.year))]


def _every(start: date, last: date, step: int) -> Iterator[date]:
    while start <= last:
        yield start
        start += timedelta(step)


def _months(first: date, last: date, step: int) -> Iterator[date]:
    """First days of months within the span, on a month that the step divides."""
    month = first.year * 12 + first.month - 1 + (first.day > 1)
    month += -month % step
    while (day := date(month // 12, month % 12 + 1, 1)) <= last:
        yield day
        month += step

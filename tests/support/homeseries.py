"""Home readings for tests: written as rows of (day, session, systolic, diastolic), placed at ordinary times."""

from collections.abc import Iterable, Sequence
from datetime import datetime, timedelta
from decimal import Decimal
from typing import Any
from zoneinfo import ZoneInfo

from collector.numbers.values import Sample

ZONE = ZoneInfo("Europe/Vienna")
DAY_ONE = datetime(2026, 3, 2, tzinfo=ZONE)
HOURS = {"morning": 7, "evening": 20}


def sample(
    at: datetime,
    systolic: Any = 130,
    diastolic: Any = 80,
    pulse: Any = 64,
    *,
    name: str = "",
    status: Iterable[str] = (),
    certain: bool = True,
    source: str = "cuff",
) -> Sample:
    """One reading; None for a pressure that was not obtained."""
    values = [None if value is None else Decimal(str(value)) for value in (systolic, diastolic, pulse)]
    return Sample(name or f"{at:%m%dT%H%M%S}-{systolic}-{diastolic}", at, *values, frozenset(status), certain, source)


def series(rows: Sequence[Sequence[Any]], start: datetime = DAY_ONE) -> list[Sample]:
    """Rows of a day's number, a session and both pressures; readings of a session come one minute apart."""
    seen: dict[tuple[int, str], int] = {}
    found = []
    for day, session, systolic, diastolic in rows:
        minute = seen[day, session] = seen.get((day, session), -1) + 1
        at = (start + timedelta(days=day - 1)).replace(hour=HOURS[session], minute=minute)
        found.append(sample(at, systolic, diastolic, name=f"d{day}-{session}-{minute + 1}"))
    return found


def week(
    days: Iterable[int] = range(1, 8),
    *,
    morning: Sequence[tuple[Any, Any]] = ((138, 86), (136, 86)),
    evening: Sequence[tuple[Any, Any]] = ((132, 82), (130, 82)),
) -> list[list[Any]]:
    """Rows of days that are all alike."""
    return [
        [day, session, *pair]
        for day in days
        for session, pairs in (("morning", morning), ("evening", evening))
        for pair in pairs
    ]


def rising(days: int = 7) -> list[Sample]:
    """Two readings a session, higher from day to day."""
    return series(
        [
            [day, session, 130 + 2 * day + (session == "evening"), 80 + day]
            for day in range(1, days + 1)
            for session in ("morning", "evening")
            for _ in (1, 2)
        ]
    )

"""How a series that somebody is in the middle of fares against its protocol. Pure."""

from collections import Counter
from collections.abc import Iterable
from datetime import date, datetime, timedelta

from collector.numbers.rules import Protocol

NEWS_FOR_DAYS = 3
"""How long after its last day a series that fell short is still worth a notice; then it is for the report."""


def so_far(taken_at: Iterable[datetime], protocol: Protocol, first: date, today: date) -> tuple[int, int]:
    """Readings that count for the plan, and readings that the plan has had: (taken, expected).

    taken_at: when usable readings were taken, in the person's zone. today: not over yet, so nothing is expected of it.
    More readings in one session than it asks for do not make up for another; outside the hours none counts.
    (0, 0) before the series and NEWS_FOR_DAYS after it.
    """
    gone = (today - first).days
    if not 0 < gone <= protocol.preferred_days + NEWS_FOR_DAYS:
        return 0, 0
    days = {first + timedelta(days=number) for number in range(min(gone, protocol.preferred_days))}
    sessions = Counter(protocol.day_and_session(moment) for moment in taken_at)
    taken = sum(
        min(count, protocol.per_session)
        for (day, session), count in sessions.items()
        if session is not None and day in days
    )
    return taken, len(days) * 2 * protocol.per_session

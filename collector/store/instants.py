"""Instants in the store: whole microseconds since 1970-01-01 UTC, which sort, subtract and stay exact."""

from datetime import UTC, datetime, timedelta

from collector.store.errors import UnreadableError

EPOCH = datetime(1970, 1, 1, tzinfo=UTC)
SECOND = 1_000_000
MINUTE = 60 * SECOND
DAY = 86_400 * SECOND
EVER = -(1 << 62)
"""Before anything that ever was."""


EARLIEST, LATEST = (int((datetime(year, 1, 1, tzinfo=UTC) - EPOCH).total_seconds()) * SECOND for year in (2, 9998))
"""Days and weeks around what lies between these are inside the calendar as well; the second is not included."""


def to_us(instant: datetime) -> int:
    """Raises ValueError for a datetime without zone: the store keeps no instant it cannot place."""
    if instant.tzinfo is None:
        raise ValueError(f"{instant!r} has no zone")
    since = instant - EPOCH
    return (since.days * 86_400 + since.seconds) * SECOND + since.microseconds


def from_us(us: int) -> datetime:
    """Raises UnreadableError for what lies beyond the calendar."""
    try:
        return EPOCH + timedelta(microseconds=us)
    except (OverflowError, TypeError):
        raise UnreadableError(f"the store holds an instant of no year ({str(us)[:40]})") from None


def shown_us(us: int) -> datetime:
    """As `from_us`, for showing what may stand in a store whatever it is: the calendar's end for what is beyond it."""
    try:
        return from_us(us)
    except UnreadableError:
        return datetime(1 if us < 0 else 9999, 6, 1, tzinfo=UTC)


def optional_us(instant: datetime | None) -> int | None:
    return None if instant is None else to_us(instant)


def to_come(at: datetime, longest: timedelta) -> tuple[int, int]:
    """Between which microseconds an end lies that is still to come: after the first, no later than the second.

    One that would come later than anything lasts was dated by a clock that ran ahead, and is over.
    """
    return to_us(at), to_us(at + longest)


LATER = "changed_at = max(?, changed_at + 1)"
"""Of an UPDATE: a change is later than what it changes, whatever the clock showed then: wherever stores merge, the
later word holds."""

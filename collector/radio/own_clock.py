"""Whether our own clock can be right at all: a computer without one starts in 1970."""

from datetime import UTC, datetime

NO_EARLIER = datetime(2026, 1, 1, tzinfo=UTC)  # before this program was written: our own clock was never set


def trustworthy(now: datetime) -> bool:
    return now >= NO_EARLIER

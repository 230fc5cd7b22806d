"""Our own clock: whether it can be right at all (a computer without one starts in 1970), and what cuffs read of it."""

from datetime import UTC, datetime

NO_EARLIER = datetime(2026, 1, 1, tzinfo=UTC)  # before this program was written: our own clock was never set


def trustworthy(now: datetime) -> bool:
    return now >= NO_EARLIER


def served(zone: str | None) -> bytes | None:
    """Current Time (0x2A2B) as a cuff reads it; None while our own clock cannot be right.

    zone: IANA name of the wall clock; None: this machine's.
    """
    from parsers.cuff_clock import build_clock  # brings construct, and `average` asks above whether our clock is right
    from parsers.uuids import Uuid

    now = datetime.now(UTC)
    return build_clock(Uuid.CURRENT_TIME, now, zone) if trustworthy(now) else None

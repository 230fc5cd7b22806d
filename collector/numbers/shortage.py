"""What a series still needs before its mean is valid by its protocol, in plain words."""

from datetime import date

from collector.numbers.rules import Protocol
from collector.numbers.selecting import Selected


def shortage(chosen: Selected, protocol: Protocol) -> tuple[str, ...]:
    """Empty for a valid series. A day counts when it holds a usable reading, left out by the protocol or not."""
    days = sorted({one.day for one in chosen.usable})
    found = [_lacking(len(days), protocol.min_days, "day", " with readings")]
    if protocol.consecutive_days and len(days) >= protocol.min_days:
        run = longest_run(days)
        found.append(
            "" if run >= protocol.min_days else f"{protocol.min_days} days in a row (the longest run is {run})"
        )
    if protocol.min_readings is not None:
        found.append(_lacking(len(chosen.usable), protocol.min_readings, "reading", ""))
    if protocol.min_readings_used is not None:
        left_out = (
            " besides those that the protocol leaves out"
            if protocol.drop_first_of_session
            else (f" after day {' and '.join(map(str, protocol.drop_days))} is left out" if protocol.drop_days else "")
        )
        found.append(_lacking(len(chosen.used), protocol.min_readings_used, "reading", left_out))
    if protocol.both_sessions or protocol.averaging != "pooled":
        sessions = {one.session for one in chosen.used}
        found += [
            f"{session} readings (there are none)" for session in ("morning", "evening") if session not in sessions
        ]
    if not any(found) and not chosen.used:
        found.append("readings (none are left)")
    return tuple(filter(None, found))


def longest_run(days: list[date]) -> int:
    """Of days in order, one straight after the other."""
    longest = run = 0
    for index, day in enumerate(days):
        run = run + 1 if index and (day - days[index - 1]).days == 1 else 1
        longest = max(longest, run)
    return longest


def _lacking(have: int, need: int, what: str, more: str) -> str:
    missing = need - have
    return f"{missing} more {what}{'s' * (missing != 1)}{more} ({have} of {need})" if missing > 0 else ""

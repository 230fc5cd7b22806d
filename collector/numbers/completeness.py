"""What of a whole series is there, a row a day, and what it still needs before its mean is valid by its protocol."""

from collections.abc import Sequence
from datetime import date, timedelta

from collector.numbers.rules import Protocol, Session
from collector.numbers.selecting import Selected, has_value
from collector.numbers.values import Cell, GridDay


def grid(chosen: Selected, rules: Protocol) -> tuple[GridDay, ...]:
    """Every day of the period, with readings or without."""
    if chosen.first is None or chosen.last is None:
        return ()
    taken: dict[tuple[date, Session], int] = {}
    for sitting in chosen.sittings:
        if sitting.session:
            key = sitting.day, sitting.session
            taken[key] = taken.get(key, 0) + sum(has_value(one) and not one.void for one in sitting.samples)
    used: dict[tuple[date, Session], int] = {}
    for one in chosen.used:
        used[one.day, one.session] = used.get((one.day, one.session), 0) + 1

    def cell(day: date, session: Session) -> Cell:
        return Cell(taken.get((day, session), 0), used.get((day, session), 0), rules.per_session)

    rows = []
    for offset in range((chosen.last - chosen.first).days + 1):
        day = chosen.first + timedelta(offset)
        number = chosen.numbers.get(day)
        left_out = number in rules.drop_days
        rows.append(GridDay(day, number, left_out, morning=cell(day, "morning"), evening=cell(day, "evening")))
    return tuple(rows)


def missing_sessions(rows: Sequence[GridDay]) -> tuple[tuple[date, Session], ...]:
    """Mornings and evenings of the period without a reading."""
    found: list[tuple[date, Session]] = []
    for row in rows:
        if not row.morning.taken:
            found.append((row.day, "morning"))
        if not row.evening.taken:
            found.append((row.day, "evening"))
    return tuple(found)


def shortage(chosen: Selected, protocol: Protocol) -> tuple[str, ...]:
    """In plain words; empty for a valid series. A day with a usable reading counts, left out by the protocol or not."""
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

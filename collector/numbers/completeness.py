"""What of a whole series is there: a row a day, and the sessions that are missing."""

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

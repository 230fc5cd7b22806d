"""Visits to the office with what was measured there."""

import json
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date, datetime
from decimal import Decimal
from shlex import quote

from collector.store import audit, people
from collector.store.acceptable import day_problem
from collector.store.columns import day_of
from collector.store.database import Store, new_uid
from collector.store.errors import RefusedByStore, UnreadableError
from collector.store.instants import LATER, to_us
from collector.store.json_columns import MOST_DIGITS, from_json


@dataclass(frozen=True, slots=True)
class OfficeVisit:
    """readings: systolic and diastolic, mmHg, in the order they were taken."""

    visit_id: str  # hex, the same at every station
    person: str
    day: date
    readings: tuple[tuple[Decimal, Decimal], ...]


def add(store: Store, person: str, day: date, readings: Sequence[tuple[Decimal, Decimal]], at: datetime) -> OfficeVisit:
    """Raises StoreError for nobody of that name, or no readings."""
    owner = people.need(store, person)
    if not readings:
        raise RefusedByStore("a visit has at least one reading")
    if problem := day_problem(day):
        raise RefusedByStore(f"the day {day} {problem}")
    kept = json.dumps([[str(one) for one in pair] for pair in readings])
    try:
        from_json("office_visit", "readings", kept)
    except UnreadableError:
        raise RefusedByStore(f"a visit's pressures are {MOST_DIGITS}") from None
    uid = new_uid()
    with store.transaction():
        store.query(
            "INSERT INTO office_visit (uid, person_id, day, readings, changed_at) VALUES (?, ?, ?, ?, ?)",
            (uid, owner.row, day.isoformat(), kept, to_us(at)),
        )
        detail = {"person": owner.name, "day": day.isoformat()}
        audit.record(store, at, "office visit added", detail, owner.row)
    return OfficeVisit(uid.hex(), owner.name, day, tuple(readings))


def every(store: Store, person: str) -> list[OfficeVisit]:
    """A person's visits, the oldest day first; of one day in the order they were entered. Raises StoreError."""
    owner = people.need(store, person)
    return [
        OfficeVisit(
            uid.hex(),
            owner.name,
            day_of(day),
            tuple(
                (Decimal(systolic), Decimal(diastolic))
                for systolic, diastolic in from_json("office_visit", "readings", readings)
            ),
        )
        for uid, day, readings in store.query(
            """SELECT uid, day, readings FROM office_visit WHERE person_id = ? AND NOT gone AND readings <> '[]'
                ORDER BY day, id""",
            (owner.row,),
        )
    ]


def remove(store: Store, person: str, visit_id: str, at: datetime) -> OfficeVisit:
    """Take back the visit whose id begins so. Raises StoreError for none or several."""
    owner = people.need(store, person)
    with store.transaction():
        found = [one for one in every(store, owner.name) if visit_id and one.visit_id.startswith(visit_id.lower())]
        if len(found) != 1:
            problem = f"{len(found)} visits of {owner.name} have ids that begin with '{visit_id}'"
            raise RefusedByStore(f"{problem}; `quietcuff office list {quote(owner.name)}` shows them")
        store.query(
            f"UPDATE office_visit SET gone = 1, readings = '[]', {LATER} WHERE uid = ?",
            (to_us(at), bytes.fromhex(found[0].visit_id)),
        )
        detail = {"person": owner.name, "day": found[0].day.isoformat()}
        audit.record(store, at, "office visit removed", detail, owner.row)
    return found[0]

"""People: added, listed, renamed. What belongs to them is in `spans` and `claims`; erasing in `erase`."""

from dataclasses import dataclass
from datetime import datetime

from collector.store import audit
from collector.store.database import Store, new_uid
from collector.store.errors import StoreError
from collector.store.instants import to_us


@dataclass(frozen=True, slots=True)
class Person:
    row: int
    name: str
    readings: int


def add(store: Store, name: str, at: datetime) -> Person:
    """Raises StoreError for a name that is taken (letter case does not matter) or empty."""
    name = _usable(store, name)
    with store.transaction():
        row = store.query(
            "INSERT INTO person (uid, name, changed_at) VALUES (?, ?, ?)", (new_uid(), name, to_us(at))
        ).lastrowid
        assert row is not None
        audit.record(store, at, "person added", {"person": name}, row)
    return Person(row, name, 0)


def every(store: Store) -> list[Person]:
    return [
        Person(*row)
        for row in store.query(
            "SELECT id, name, (SELECT count(*) FROM reading WHERE person_id = person.id) FROM person "
            "WHERE NOT gone ORDER BY name COLLATE NOCASE, id"
        )
    ]


def find(store: Store, name: str) -> Person | None:
    """By name, letter case aside. Two stations may have given one name to two people: StoreError says so."""
    rows = store.query("SELECT id, name FROM person WHERE name = ? COLLATE NOCASE AND NOT gone", (name,)).fetchall()
    if len(rows) > 1:
        raise StoreError(f"two people are called '{name}' (from two stations); rename one", "refused")
    return Person(rows[0][0], rows[0][1], 0) if rows else None


def need(store: Store, name: str) -> Person:
    person = find(store, name)
    if person is None:
        raise StoreError(f"no person '{name}' in this store; `quietcuff person list` shows them", "refused")
    return person


def rename(store: Store, name: str, to: str, at: datetime) -> None:
    person = need(store, name)
    to = to.strip()
    if to.casefold() != person.name.casefold():
        to = _usable(store, to)
    with store.transaction():
        store.query("UPDATE person SET name = ?, changed_at = ? WHERE id = ?", (to, to_us(at), person.row))
        audit.record(store, at, "person renamed", {"from": person.name, "to": to}, person.row)


def _usable(store: Store, name: str) -> str:
    name = name.strip()
    if not name or not name.isprintable():
        raise StoreError("a person needs a name of printable letters", "refused")
    if find(store, name) is not None:
        raise StoreError(f"there is a person '{name}' already", "refused")
    return name

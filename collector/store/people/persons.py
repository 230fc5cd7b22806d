"""People: added, listed, renamed. What belongs to them is in `spans` and `claims`; erasing in `erase`."""

from dataclasses import dataclass
from datetime import datetime
from shlex import quote
from unicodedata import normalize

from collector.store import audit
from collector.store.database import Store, new_uid
from collector.store.errors import RefusedByStore
from collector.store.instants import LATER, to_us
from collector.store.namesakes import CALLED, HANDLE, MOST_LETTERS, as_a_name, folded, is_name
from collector.store.people.former_names import called_now


@dataclass(frozen=True, slots=True)
class Person:
    """name: how the person is called, unambiguous. readings: how many, as far as `every` counted them."""

    row: int
    name: str
    readings: int = 0


def add(store: Store, name: str, at: datetime) -> Person:
    """Raises StoreError for a name that is taken (letter case does not matter) or empty."""
    name = _usable(store, name)
    with store.transaction():
        row = store.query(
            "INSERT INTO person (uid, name, changed_at) VALUES (?, ?, ?)", (new_uid(), name, to_us(at))
        ).lastrowid
        assert row is not None
        audit.record(store, at, "person added", {"person": name}, row)
    return Person(row, name)


def every(store: Store) -> list[Person]:
    rows = store.query(f"SELECT id, {CALLED} FROM person WHERE NOT gone ORDER BY name COLLATE NOCASE, uid").fetchall()
    return [Person(row, name, store.readings_of(row)) for row, name in rows]


def find(store: Store, name: str) -> Person | None:
    """By name, letter case aside. Two stations may have given one name to two people: StoreError says how each of
    them can be called then."""
    of_name = f"SELECT id, {CALLED}, uid FROM person WHERE name = ? COLLATE NOCASE AND NOT gone ORDER BY uid"
    rows = store.query(of_name, (name,)).fetchall()
    if not rows or not name.isascii():  # SQLite knows the case of ASCII letters alone
        everybody = store.query(f"SELECT id, {CALLED}, uid, name FROM person WHERE NOT gone ORDER BY uid")
        alike = [found for found in everybody if folded(found[3]) == folded(name)]
        rows = [found[:3] for found in alike if found[3] == name] or [found[:3] for found in alike]
    if len(rows) > 1:
        handles = [called for _, called, _ in rows]
        raise RefusedByStore(
            f"{len(rows)} people are called '{name}' (from several stations): {', '.join(handles)}; "
            f"`quietcuff person unite {quote(handles[0])} {quote(handles[1])}` makes them one, "
            "`person rename` tells them apart"
        )
    if rows:
        return _found(store, rows[0][0], rows[0][1])
    plain, _, start = name.rpartition("#")
    if plain and len(start) == HANDLE:
        for row, called, uid in store.query(of_name, (plain,)).fetchall():
            if uid.hex().startswith(start.lower()):
                return _found(store, row, called)
    return None


def by_row(store: Store, row: int) -> Person | None:
    found = store.row(f"SELECT id, {CALLED} FROM person WHERE id = ? AND NOT gone", (row,))
    return None if found is None else Person(found[0], found[1])


def _found(store: Store, row: int, called: str) -> Person:
    store.bring_person(row)
    return Person(row, called)


def need(store: Store, name: str) -> Person:
    person = find(store, name)
    if person is None:
        called = name if len(name) <= MOST_LETTERS else f"{name[:MOST_LETTERS]}…"
        if now := called_now(store, name):
            raise RefusedByStore(f"no person '{called}' in this store any more: {' or '.join(now)} was called so")
        raise RefusedByStore(f"no person '{called}' in this store; `quietcuff person list` shows them")
    return person


def need_alone(store: Store, name: str) -> Person:
    """As `need`, where two of one name could be taken for each other: StoreError for such a one too."""
    person = need(store, name)
    plain = store.scalar("SELECT name FROM person WHERE id = ?", (person.row,))
    return need(store, plain)


def namesakes(store: Store) -> dict[str, list[str]]:
    """People of one name, from several stations: the name, and how each of them is called; who has more readings is
    first."""
    plain = dict(store.query("SELECT id, name FROM person").fetchall())
    found: dict[str, list[Person]] = {}
    for person in every(store):
        found.setdefault(folded(plain[person.row]), []).append(person)
    several = (sorted(those, key=lambda one: -one.readings) for those in found.values() if len(those) > 1)
    return {plain[those[0].row]: [one.name for one in those] for those in several}


def rename(store: Store, name: str, to: str, at: datetime) -> None:
    person = need(store, name)
    to = to.strip()
    to = normalize("NFC", to) if folded(to) == folded(person.name) else _usable(store, to)
    with store.transaction():
        store.query(f"UPDATE person SET name = ?, {LATER} WHERE id = ?", (to, to_us(at), person.row))
        audit.record(store, at, "person renamed", {"from": person.name, "to": to}, person.row)


def _usable(store: Store, name: str) -> str:
    name = normalize("NFC", name.strip())
    if not is_name(name):
        raise RefusedByStore(f"a person needs a name of at most {MOST_LETTERS} printable letters")
    if as_a_name(name) != name:
        raise RefusedByStore(f"'{name}' is how two people of one name are told apart; leave the # out")
    if find(store, name) is not None:
        raise RefusedByStore(f"there is a person '{name}' already")
    return name

"""What people entered at a station, as values that travel: persons, spans, loans, notes, visits to the office,
sittings, and what their cuffs are called. Brought together from several stations the later version of an entry holds,
as when stores merge.
"""

from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from collector.store.database import Store
from collector.store.merge.foreign_people import TABLES, PersonTable, Version, hold_later, holding, versions
from collector.store.namesakes import CALLED, folded
from collector.store.people import unions

CUFF, CUFF_STATE, PLAN = "cuff", "cuff_state", "plan"
OF_ONE = ("note", "office_visit", "sitting")
"""Kinds that only a question about their person needs."""
_KINDS = {table.name: table for table in TABLES if table.name not in ("claim", "strike")}
"""Claims and strikes show in the readings themselves."""


@dataclass(frozen=True, slots=True)
class Entry:
    """kind: a table's name, or 'plan'. key: what names it everywhere, as text. person: whose, the uid in hex; None for
    nobody's. said: its columns; octets in hex."""

    kind: str
    key: str
    person: str | None
    said: Mapping[str, Any]


def uids_called(store: Store) -> dict[str, str]:
    """Everybody, as they are called: the uid in hex."""
    return dict(store.query(f"SELECT {CALLED}, lower(hex(uid)) FROM person WHERE NOT gone").fetchall())


def told(store: Store, of: Sequence[str] = (), plans: Mapping[str, Mapping[str, Any]] | None = None) -> list[Entry]:
    """Everything that was entered here; of these people and of whoever is part of them only, where any are named.
    plans: what the configuration says of a person, by name, letter case aside."""
    people = uids_called(store)
    wanted = {people[name] for name in of if name in people} if of else None
    part_of = dict(store.query("SELECT uid, part_of FROM person WHERE part_of IS NOT NULL").fetchall())
    root = {uid.hex(): unions.root_of(part_of, uid).hex() for uid in part_of}
    entries = [*_cuffs(store), *_of_people(store), *_plans(people, plans or {})]
    return [
        one for one in entries if wanted is None or one.person is None or root.get(one.person, one.person) in wanted
    ]


def take(store: Store, entries: Iterable[Entry]) -> None:
    """Into the store; of two versions of one entry the later holds. What is of a person who is not there stays out."""
    found: dict[str, list[Entry]] = {}
    for one in entries:
        found.setdefault(one.kind, []).append(one)
    with store.transaction():
        for one in found.get(CUFF, ()):
            _take_cuff(store, one)
        there: set[str] = set()
        for kind, table in _KINDS.items():
            if kind != "person":
                there = there or {uid for (uid,) in store.query("SELECT lower(hex(uid)) FROM person")}
            some = [one for one in found.get(kind, ()) if kind in ("person", "loan") or one.person in there]
            hold_later(store, table, _latest(table, some))
        for one in found.get(CUFF_STATE, ()):
            store.query(
                """INSERT INTO cuff_state SELECT id, ?2, ?3, ?4 FROM cuff WHERE address = ?1 AND true ON
                    CONFLICT (cuff_id) DO UPDATE SET state = excluded.state, reason = excluded.reason,
                    changed_at = excluded.changed_at WHERE excluded.changed_at > cuff_state.changed_at""",
                (one.key, one.said["state"], one.said["reason"], one.said["changed_at"]),
            )
        unions.follow(store)


def unite(store: Store, part_of: Mapping[str, str]) -> None:
    """Who is part of whom by the word of whoever looks after all stations; uids in hex."""
    with store.transaction():
        for uid, root in part_of.items():
            store.query(
                """UPDATE person SET part_of = ?2, gone = 1 WHERE uid = ?1 AND EXISTS (SELECT 1 FROM
                    person WHERE uid = ?2)""",
                (bytes.fromhex(uid), bytes.fromhex(root)),
            )
        unions.follow(store)


def _of_people(store: Store) -> Iterator[Entry]:
    for kind, table in _KINDS.items():
        for key, (changed_at, (_, person), (_, cuff), *columns) in versions(store, "main", table).items():
            said = {name: _plain(value) for name, (_, value) in zip(table.columns, columns, strict=True)}
            whose: bytes | None = key if kind == "person" else person
            said |= {"changed_at": changed_at, "cuff": cuff}
            yield Entry(kind, key.hex(), None if whose is None else whose.hex(), said)


def _latest(table: PersonTable, entries: Iterable[Entry]) -> dict[bytes, Version]:
    found: dict[bytes, Version] = {}
    for one in entries:
        person = bytes.fromhex(one.person) if table.of_person and one.person else None
        values = (person, one.said["cuff"], *(_octets(name, one.said[name]) for name in table.columns))
        version = (one.said["changed_at"], *((value is not None, value) for value in values))
        key = bytes.fromhex(one.key)
        found[key] = holding(table, found.get(key, version), version)
    return found


def _cuffs(store: Store) -> Iterator[Entry]:
    named = ("name", "name_set_at", "forgotten", "forgotten_set_at")
    for address, *values in store.query(f"SELECT address, {', '.join(named)} FROM cuff ORDER BY id"):
        yield Entry(CUFF, address, None, dict(zip(named, values, strict=True)))
    for address, state, reason, changed_at in store.query(
        "SELECT address, state, reason, changed_at FROM cuff_state JOIN cuff ON cuff.id = cuff_id ORDER BY cuff_id"
    ):
        said = {"state": state, "reason": reason, "changed_at": changed_at}
        yield Entry(CUFF_STATE, address, None, said)


def _take_cuff(store: Store, cuff: Entry) -> None:
    said = cuff.said
    store.query("INSERT OR IGNORE INTO cuff (address) VALUES (?)", (cuff.key,))
    for name, at in (("name", "name_set_at"), ("forgotten", "forgotten_set_at")):
        store.query(
            f"UPDATE cuff SET {name} = ?2, {at} = ?3 WHERE address = ?1 AND {at} < ?3", (cuff.key, said[name], said[at])
        )


def _plans(people: Mapping[str, str], plans: Mapping[str, Mapping[str, Any]]) -> Iterator[Entry]:
    by_letters = {folded(name): uid for name, uid in people.items()}
    for name, plan in plans.items():
        if (uid := by_letters.get(folded(name))) is not None:
            yield Entry(PLAN, uid, uid, plan)


def _plain(value: Any) -> Any:
    return value.hex() if isinstance(value, bytes) else value


def _octets(name: str, value: Any) -> Any:
    return bytes.fromhex(value) if name == "part_of" and value is not None else value

"""People's rows of another store (attached as `other`): of two versions of one row the later holds."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from collector.store.database import Store
from collector.store.journal import derivation
from collector.store.journal.same_cuff import LATER_STATE
from collector.store.people import unions
from collector.store.people.erase import (
    delete_erased,
    name_claims_of_the_erased,
    name_parts_of_the_erased,
    take_names_out,
)
from collector.store.people.former_names import former_names


@dataclass(frozen=True, slots=True)
class PersonTable:
    """A table whose rows people change.

    key: what names one row everywhere. columns: what it says, besides whose and which cuff's it is. united: those that
    stay, once the last of them says who somebody is part of.
    """

    name: str
    columns: tuple[str, ...]
    key: str = "uid"
    of_person: bool = True
    of_cuff: bool = False
    united: tuple[str, ...] = ()


TABLES = (
    PersonTable("person", ("name", "gone", "part_of"), of_person=False, united=("gone", "part_of")),
    PersonTable("span", ("slot", "since", "until", "strict", "gone"), of_cuff=True),
    PersonTable("claim", ("uid", "holds"), key="payload_uid"),
    PersonTable("strike", ("uid", "mark", "holds"), key="payload_uid", of_person=False),
    PersonTable("note", ("kind", "day", "text", "gone")),
    PersonTable("office_visit", ("day", "readings", "gone")),
    PersonTable("sitting", ("started_at", "prepared", "readings", "gone")),
    PersonTable("loan", ("slots", "out_at", "back_at", "step", "checks", "gone"), of_cuff=True),
)


def bring_people(store: Store) -> None:
    """In the order in which they refer to each other. Rows of an erased person stay out.

    Cuffs whose readings follow from what is new are noted to be derived anew: should the merge end here, the next
    start does it.
    """
    if name_parts_of_the_erased(store, "other"):
        delete_erased(store)
    name_claims_of_the_erased(store, "other", "main")
    for table in TABLES:
        _note_redo(store, table, hold_later(store, table, versions(store, "other", table)))
    unions.follow(store)
    for (cuff_id,) in store.query(_HOLDS_OF_UNITED).fetchall():
        derivation.note_redo(store, cuff_id)
    _bring_cuff_states(store)
    _bring_history(store)
    gone = store.query("SELECT id, name FROM other.person WHERE uid IN (SELECT uid FROM main.erased)").fetchall()
    if gone:
        take_names_out(store, {name for _, name in gone}.union(*(former_names(store, row, "other") for row, _ in gone)))


_HOLDS_OF_UNITED = """SELECT DISTINCT cuff_id FROM main.person CROSS JOIN main.reading ON person_id = person.id
    WHERE part_of IS NOT NULL"""


def _note_redo(store: Store, table: PersonTable, changed: Sequence[bytes]) -> None:
    of_payload = table.key == "payload_uid"
    if not (of_payload or table.of_cuff):
        return
    query = f"SELECT cuff_id FROM main.{'payload' if of_payload else table.name} WHERE uid = ?"
    for cuff_id in {store.scalar(query, (key,)) for key in changed} - {None}:
        derivation.note_redo(store, cuff_id)


def _bring_history(store: Store) -> None:
    """Not what concerns an erased person, or a reading of theirs: that line may name nobody."""
    store.query(
        """INSERT INTO main.audit (uid, at, what, detail, person_id) SELECT t.uid, t.at, t.what,
            t.detail, ours.id FROM other.audit t LEFT JOIN other.person theirs ON theirs.id = t.person_id
            LEFT JOIN main.person ours ON ours.uid = theirs.uid WHERE t.uid NOT IN (SELECT uid FROM
            main.erased) AND (theirs.id IS NULL OR ours.id IS NOT NULL) AND
            coalesce(t.detail ->> 'reading', '') NOT IN (SELECT reading_id FROM other.reading JOIN
            other.outcome ON outcome.reading = reading.id JOIN other.payload ON payload.id =
            outcome.payload_id WHERE payload.uid IN (SELECT uid FROM main.erased)) ORDER BY t.id
            ON CONFLICT (uid) DO NOTHING"""
    )


NOTHING = (False, None)
Version = tuple[Any, ...]
"""(changed_at, person's uid, cuff's address, columns…), comparable: the greater holds, everywhere the same."""
_BEFORE_COLUMNS = 3


def hold_later(store: Store, table: PersonTable, theirs: Mapping[bytes, Version]) -> list[bytes]:
    """Of two versions of one row the later; returns the keys of those that changed."""
    ours = versions(store, "main", table)
    held = {key: holding(table, ours.get(key, version), version) for key, version in theirs.items()}
    changed = [key for key, version in held.items() if version != ours.get(key)]
    for key in changed:
        _write(store, table, key, held[key])
    return changed


def holding(table: PersonTable, one: Version, other: Version) -> Version:
    """Of two versions of one row the later. Who is part of somebody stays so, whatever was said of them since where
    nobody knew: two people made one are not taken apart."""
    earlier, later = sorted((one, other))
    stays = [_BEFORE_COLUMNS + table.columns.index(column) for column in table.united]
    if stays and later[stays[-1]] == NOTHING:
        return tuple(earlier[place] if place in stays else said for place, said in enumerate(later))
    return later


def versions(store: Store, where: str, table: PersonTable) -> dict[bytes, Version]:
    person = "(SELECT uid FROM {0}.person WHERE id = t.person_id)" if table.of_person else "NULL"
    cuff = "NULL"
    if table.of_cuff:  # by the address that it has here: another may be an earlier one of it
        here = "(SELECT ours FROM our_cuff WHERE theirs = t.cuff_id)" if where == "other" else "t.cuff_id"
        cuff = f"(SELECT address FROM main.cuff WHERE id = {here})"
    columns = ", ".join(f"t.{column}" for column in table.columns)
    rows = store.query(
        f"SELECT t.{table.key}, t.uid, t.changed_at, {person}, {cuff}, {columns} FROM {{0}}.{table.name} t".format(
            where
        )
    )
    erased = {uid for (uid,) in store.query("SELECT uid FROM main.erased")}
    found = {
        key: (changed_at, *((value is not None, value) for value in values))
        for key, uid, changed_at, *values in rows
        if key not in erased and uid not in erased and values[0] not in erased
    }
    return found if where == "main" or table.key == "uid" else _of_what_stayed(store, table, found)


def _of_what_stayed(store: Store, table: PersonTable, theirs: Mapping[bytes, Version]) -> dict[bytes, Version]:
    """What is said of a copy that the retention rule took away here is said of the payload that stayed. Named as that
    is: the store that has both may say it of both."""
    said_of = f"SELECT t.uid, copy_of FROM main.thinned t JOIN other.{table.name} ON payload_uid = t.uid"
    copy_of = dict(store.query(said_of).fetchall())
    uid = _BEFORE_COLUMNS + table.columns.index("uid")
    found: dict[bytes, Version] = {}
    for key, version in theirs.items():
        if stayed := copy_of.get(key):
            key, version = stayed, (*version[:uid], (True, stayed), *version[uid + 1 :])
        found[key] = holding(table, found.get(key, version), version)
    return found


def _write(store: Store, table: PersonTable, key: bytes, version: Version) -> None:
    changed_at, *pairs = version
    person, cuff, *values = (value for _, value in pairs)
    columns = [table.key, "changed_at", *table.columns]
    holders: list[Any] = [key, changed_at, *values]
    places = ["?"] * len(columns)
    if table.of_person:
        columns.append("person_id")
        places.append("(SELECT id FROM main.person WHERE uid = ?)")
        holders.append(person)
    if table.of_cuff:
        columns.append("cuff_id")
        places.append("(SELECT id FROM main.cuff WHERE address = ?)")
        holders.append(cuff)
    changes = ", ".join(f"{column} = excluded.{column}" for column in columns if column != table.key)
    store.query(
        f"""INSERT INTO main.{table.name} ({", ".join(columns)}) VALUES ({", ".join(places)}) ON CONFLICT
            ({table.key}) DO UPDATE SET {changes}""",
        holders,
    )


def _bring_cuff_states(store: Store) -> None:
    store.query(
        f"""INSERT INTO main.cuff_state (cuff_id, state, reason, changed_at) SELECT c.ours, state, reason,
            changed_at FROM other.cuff_state t JOIN our_cuff c ON c.theirs = t.cuff_id WHERE true {LATER_STATE}"""
    )

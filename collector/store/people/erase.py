"""Taking a person out of the store so that nothing of them is left in the file.

Payloads and people that went are named in the table `erased` by their random uids, so that a merge or a backup cannot
bring them back; what else is a person's is known by the person.
"""

import json
from collections.abc import Iterable
from dataclasses import dataclass
from pathlib import Path

from collector.store import people
from collector.store.database import Store
from collector.store.errors import as_store_error
from collector.store.journal import derivation

_TABLES = ("claim", "span", "note", "sitting", "loan", "audit", "page_invite", "page_device", "page_sitting")
_CHUNK = 1 << 20
_TELLING = 7
"""Fewer octets than the shortest measurement has may stand anywhere by chance."""


@dataclass(frozen=True, slots=True)
class Erasure:
    """What erasing a person will take away. traces: octets that must not be in the file afterwards."""

    person: str
    readings: int
    payloads: int
    notes: int
    traces: tuple[bytes, ...]


def name_as_erased(store: Store, name: str) -> Erasure:
    """Name all that is the person's as erased: readings with every payload of theirs, whatever refers to them.

    Payloads that could not be decoded and came from a cuff while a slot of it was theirs go too. In the
    caller's transaction, with `delete_erased` after it. Raises StoreError for no such person.
    """
    person = people.need(store, name)
    store.query("CREATE TEMP TABLE IF NOT EXISTS going (uid BLOB PRIMARY KEY)")
    store.query("DELETE FROM temp.going")
    store.query(
        "INSERT OR IGNORE INTO temp.going SELECT payload.uid FROM reading JOIN outcome ON outcome.reading = "
        "reading.id "
        "JOIN payload ON payload.id = outcome.payload_id WHERE person_id = ?",
        (person.row,),
    )
    store.query(
        "INSERT OR IGNORE INTO temp.going SELECT payload.uid FROM span JOIN payload ON payload.cuff_id = span.cuff_id "
        "JOIN outcome ON outcome.payload_id = payload.id WHERE person_id = ? AND NOT span.gone "
        "AND outcome.reading IS NULL AND outcome.kind IN ('undecodable', 'segment') "
        "AND (since IS NULL OR arrived_at >= since) AND (until IS NULL OR arrived_at < until)",
        (person.row,),
    )
    payloads = store.scalar("SELECT count(*) FROM temp.going")
    traces = _traces(store, person.row)
    store.query("INSERT OR IGNORE INTO temp.going SELECT uid FROM person WHERE id = ?", (person.row,))
    result = Erasure(
        person.name,
        store.scalar("SELECT count(*) FROM reading WHERE person_id = ?", (person.row,)),
        payloads,
        store.scalar("SELECT count(*) FROM note WHERE person_id = ?", (person.row,)),
        traces,
    )
    store.query("INSERT OR IGNORE INTO erased SELECT uid FROM temp.going")
    store.query("DROP TABLE temp.going")
    return result


def _traces(store: Store, person: int) -> tuple[bytes, ...]:
    """The payloads' octets, where nobody else's payload is the same, and what was written about the person."""
    values = store.query("SELECT value FROM payload WHERE uid IN (SELECT uid FROM temp.going)")
    found = {value for (value,) in values if len(value) >= _TELLING}
    for (value,) in store.query("SELECT value FROM payload WHERE uid NOT IN (SELECT uid FROM temp.going)"):
        found.discard(value)
    for (text,) in store.query("SELECT text FROM note WHERE person_id = ?", (person,)):
        if len(text.encode()) >= _TELLING:
            found.add(text.encode())
    return tuple(sorted(found))


def delete_erased(store: Store) -> None:
    """Delete every row that the table `erased` names, with all that is derived from it or refers to it.

    Cuffs with readings that were also heard otherwise are noted to be derived anew.
    """
    with store.transaction():
        while store.query("INSERT OR IGNORE INTO erased SELECT uid FROM person "
                          "WHERE part_of IN (SELECT uid FROM erased)").rowcount:  # fmt: skip
            pass  # part of somebody erased, and so on
        _delete_payloads(store)
        for (person,) in store.query("SELECT id FROM person WHERE uid IN (SELECT uid FROM erased)").fetchall():
            _delete_person(store, person)


def erase_as_in(copy: Store, store: Store) -> None:
    """Take out of a copy whatever was ever erased from the store."""
    with copy.transaction():
        for (uid,) in store.query("SELECT uid FROM erased"):
            copy.query("INSERT OR IGNORE INTO erased VALUES (?)", (uid,))
        delete_erased(copy)


def _delete_payloads(store: Store) -> None:
    gone = "SELECT id FROM payload WHERE uid IN (SELECT uid FROM erased)"
    touched = store.query(
        "SELECT DISTINCT reading.id, reading_id, cuff_id FROM reading JOIN outcome ON outcome.reading = reading.id "
        f"WHERE outcome.payload_id IN ({gone}) UNION SELECT id, reading_id, cuff_id FROM reading WHERE payload_id IN "
        f"({gone})"
    ).fetchall()
    for row, reading_id, cuff_id in touched:
        store.query("DELETE FROM outcome WHERE reading = ?", (row,))
        store.query("DELETE FROM reading WHERE id = ?", (row,))
        store.query("DELETE FROM retimed WHERE reading_id = ?", (reading_id,))
        _forget_reading(store, reading_id)
        derivation.note_redo(store, cuff_id)
    store.query(f"DELETE FROM outcome WHERE payload_id IN ({gone})")
    store.query("DELETE FROM claim WHERE payload_uid IN (SELECT uid FROM erased)")
    store.query("DELETE FROM strike WHERE payload_uid IN (SELECT uid FROM erased)")
    store.query("DELETE FROM payload WHERE uid IN (SELECT uid FROM erased)")


def forget_what_was_fetched(store: Store) -> None:
    """An export of what is new knows what it handed out by id and digest: not of readings that are gone. What a relay
    sent it knows until the receiver was told that it is gone."""
    store.query("DELETE FROM fetched WHERE reading_id NOT IN (SELECT reading_id FROM reading)")


def _forget_reading(store: Store, reading_id: str) -> None:
    store.query("DELETE FROM relay_hold WHERE reading_id = ?", (reading_id,))
    store.query("DELETE FROM audit WHERE detail LIKE ?", (f'%"reading": "{reading_id}"%',))


def _delete_person(store: Store, person: int) -> None:
    names = {store.scalar("SELECT name FROM person WHERE id = ?", (person,)), *former_names(store, person)}
    for table in _TABLES:
        store.query(f"DELETE FROM {table} WHERE person_id = ?", (person,))
    store.query("UPDATE reading SET person_id = NULL WHERE person_id = ?", (person,))
    store.query("DELETE FROM relay_hold WHERE person_id = ?", (person,))
    store.query("DELETE FROM person WHERE id = ?", (person,))
    take_names_out(store, names)


def former_names(store: Store, person: int, where: str = "main") -> set[str]:
    """What the person (a row of that database) was called before and after renaming, as the history tells."""
    of = f"SELECT detail FROM {where}.audit WHERE person_id = ? AND what = 'person renamed'"
    return {name for (detail,) in store.query(of, (person,)) for name in json.loads(detail).values()}


def take_names_out(store: Store, names: set[str]) -> None:
    """Take the names out of what is left of the history: another person's line may tell from whom a reading was
    taken."""
    for row, detail in store.query("SELECT id, detail FROM audit").fetchall():
        told = json.loads(detail)
        kept = {word: None if isinstance(value, str) and value in names else value for word, value in told.items()}
        if kept != told:
            store.query("UPDATE audit SET detail = ? WHERE id = ?", (json.dumps(kept, ensure_ascii=False), row))


def purge(store: Store) -> None:
    """Write the file anew, so that nothing deleted is left in its pages or in the write-ahead log.

    Raises StoreError, 'locked', while another program reads or writes. SQLite documentation: "PRAGMA
    secure_delete", "VACUUM".
    """
    with as_store_error(store.path):
        store.query("PRAGMA secure_delete=ON")
        store.query("VACUUM")
        store.query("PRAGMA wal_checkpoint(TRUNCATE)").fetchone()


def search(path: Path, traces: Iterable[bytes]) -> list[bytes]:
    """Which of these octets stand anywhere in the store's files."""
    left = set(traces)
    reach = max(map(len, left), default=1) - 1
    found: set[bytes] = set()
    for file in (path, path.with_name(path.name + "-wal"), path.with_name(path.name + "-journal")):
        if not file.exists():
            continue
        with file.open("rb") as octets:
            tail = b""
            while chunk := octets.read(_CHUNK):
                window = tail + chunk
                found |= {trace for trace in left - found if trace in window}
                tail = window[-reach:] if reach else b""
    return sorted(found)

"""Taking a person out of the store so that nothing of them is left in the file.

Payloads and people that went are named in the table `erased` by their random uids, so that a merge or a backup cannot
bring them back; what else is a person's is known by the person.
"""

import json
import os
from dataclasses import asdict, replace
from datetime import datetime
from itertools import cycle

from collector.store import audit, people
from collector.store.database import Store, new_uid
from collector.store.errors import UnreadableError
from collector.store.instants import to_us
from collector.store.journal import derivation
from collector.store.json_columns import from_json
from collector.store.people import slot_spans
from collector.store.people.erase_preview import GOING, Erasure, payloads_of, preview
from collector.store.people.former_names import former_names

_TABLES = (
    "claim",
    "span",
    "note",
    "office_visit",
    "sitting",
    "loan",
    "audit",
    "page_invite",
    "page_device",
    "page_sitting",
)
_TELLING = 7
"""Fewer octets than the shortest measurement has may stand anywhere by chance."""


def name_as_erased(store: Store, name: str) -> Erasure:
    """Name all that is the person's as erased: readings with every payload of theirs, whatever refers to them.

    Payloads that could not be decoded and came from a cuff while a slot of it was theirs go too, and what a loan of
    theirs set aside. In the caller's transaction, with `delete_erased` after it. Raises StoreError for no such person.
    """
    person = people.need(store, name)
    store.query("CREATE TEMP TABLE IF NOT EXISTS going (uid BLOB PRIMARY KEY)")
    store.query("DELETE FROM temp.going")
    for those in GOING:
        store.query(f"INSERT OR IGNORE INTO temp.going {those}", (person.row,))
    names = {store.scalar("SELECT name FROM person WHERE id = ?", (person.row,)), *former_names(store, person.row)}
    parts = store.query(
        "SELECT id, name FROM person WHERE part_of = (SELECT uid FROM person WHERE id = ?)", (person.row,)
    )
    for row, part in parts.fetchall():
        names |= {part, *former_names(store, row)}
    result = replace(preview(store, name), names=tuple(sorted(names)), traces=_traces(store, person.row))
    store.query("INSERT OR IGNORE INTO temp.going SELECT uid FROM person WHERE id = ?", (person.row,))
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


def begin(store: Store, name: str, at: datetime) -> Erasure:
    """Delete all that is the person's, and write down that the file is still to be cleaned and searched: `pending`.

    All or nothing. Raises StoreError.
    """
    with store.transaction():
        store.query("PRAGMA secure_delete=ON")
        erasure = name_as_erased(store, name)
        delete_erased(store)
        pad, sealed = _masked(erasure)
        store.query("INSERT INTO erasing VALUES (?, ?, ?, ?)", (new_uid(), to_us(at), pad, sealed))
        # That somebody was erased, and when, is nobody's secret; who is.
        gone = {"readings": erasure.readings + erasure.unsure, "payloads": erasure.payloads, "notes": erasure.notes}
        audit.record(store, at, "person erased", gone)
    return erasure


def pending(store: Store) -> list[tuple[bytes, Erasure]]:
    """Erases of which nobody has seen the end yet, the oldest first: (what `finish` wants, what went)."""
    rows = store.query("SELECT uid, pad, sealed FROM erasing ORDER BY began_at, uid").fetchall()
    return [(uid, _unmasked(pad, sealed)) for uid, pad, sealed in rows]


def finish(store: Store, uid: bytes) -> None:
    """The file is clean and was searched: nothing of the erase is kept but the line of the history."""
    store.query("PRAGMA secure_delete=ON")
    with store.transaction():
        store.query("DELETE FROM erasing WHERE uid = ?", (uid,))
    store.query("PRAGMA wal_checkpoint(TRUNCATE)").fetchone()


def _masked(erasure: Erasure) -> tuple[bytes, bytes]:
    text = json.dumps({**asdict(erasure), "traces": [trace.hex() for trace in erasure.traces]}).encode()
    pad = os.urandom(64)
    return pad, _xor(text, pad)


def _unmasked(pad: bytes, sealed: bytes) -> Erasure:
    try:
        said = json.loads(_xor(sealed, pad))
        traces = tuple(map(bytes.fromhex, said["traces"]))
        return Erasure(**{**said, "names": tuple(said["names"]), "traces": traces})
    except (ValueError, KeyError, TypeError):
        raise UnreadableError("what an interrupted erase wrote down cannot be read (table erasing)") from None


def _xor(octets: bytes, pad: bytes) -> bytes:
    return bytes(one ^ other for one, other in zip(octets, cycle(pad), strict=False))


def delete_erased(store: Store) -> None:
    """Delete every row that the table `erased` names, with all that is derived from it or refers to it.

    Cuffs with readings that were also heard otherwise are noted to be derived anew.
    """
    with store.transaction():
        name_parts_of_the_erased(store)
        store.query("INSERT OR IGNORE INTO erased SELECT uid FROM thinned WHERE copy_of IN (SELECT uid FROM erased)")
        _delete_payloads(store)
        for (person,) in store.query("SELECT id FROM person WHERE uid IN (SELECT uid FROM erased)").fetchall():
            _delete_person(store, person)


def name_parts_of_the_erased(store: Store, where: str = "main") -> int:
    """Name as erased who is part of somebody erased, and so on; how many."""
    parts = f"SELECT uid FROM {where}.person WHERE part_of IN (SELECT uid FROM main.erased)"
    found = 0
    while named := store.query(f"INSERT OR IGNORE INTO main.erased {parts}").rowcount:
        found += named
    return found


def name_claims_of_the_erased(store: Store, where: str, elsewhere: str) -> None:
    """In a merge: name as erased what somebody gave to an erased person by hand in one store, and the other never knew.

    What is theirs by a slot is not named: it may be somebody else's by now, and a store that does not know of the erase
    cannot tell.
    """
    store.query(
        f"""INSERT OR IGNORE INTO main.erased SELECT payload_uid FROM {where}.claim JOIN {where}.person ON
            person.id = person_id WHERE holds AND person.uid IN (SELECT uid FROM main.erased) AND
            payload_uid NOT IN (SELECT uid FROM {elsewhere}.payload)"""
    )


def any_erased(store: Store) -> bool:
    """Whether anybody was ever erased from the store."""
    return store.scalar("SELECT 1 FROM erased LIMIT 1") is not None


def erase_as_in(copy: Store, store: Store) -> None:
    """Take out of a copy whatever was ever erased from the store, and what of these people stands in the copy alone: it
    came after a backup that was put back since. What the store kept was somebody else's."""
    name = "INSERT OR IGNORE INTO erased VALUES (?)"
    with copy.transaction():
        copy.many(name, store.query("SELECT uid FROM erased"))
        name_parts_of_the_erased(copy)
        for (person,) in copy.query("SELECT id FROM person WHERE uid IN (SELECT uid FROM erased)").fetchall():
            for uid in payloads_of(copy, person):
                if store.scalar("SELECT 1 FROM payload WHERE uid = ?", (uid,)) is None:
                    copy.query(name, (uid,))
        delete_erased(copy)


def _delete_payloads(store: Store) -> None:
    gone = "SELECT id FROM payload WHERE uid IN (SELECT uid FROM erased)"
    touched = store.query(
        f"""SELECT DISTINCT reading.id, reading_id, cuff_id FROM reading JOIN outcome ON outcome.reading =
            reading.id WHERE outcome.payload_id IN ({gone}) UNION SELECT id, reading_id, cuff_id FROM
            reading WHERE payload_id IN ({gone})"""
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
    audit.forget_reading(store, reading_id)


def _delete_person(store: Store, person: int) -> None:
    names = {store.scalar("SELECT name FROM person WHERE id = ?", (person,)), *former_names(store, person)}
    names |= _device_names(store, person)
    slot_spans.keep_ends(store, person)
    for table in _TABLES:
        store.query(f"DELETE FROM {table} WHERE person_id = ?", (person,))
    store.query("UPDATE reading SET person_id = NULL WHERE person_id = ?", (person,))
    store.query("DELETE FROM relay_hold WHERE person_id = ?", (person,))
    store.query("DELETE FROM person WHERE id = ?", (person,))
    take_names_out(store, names)


def _device_names(store: Store, person: int) -> set[str]:
    """What the person's devices are called, who may have written in other people's history."""
    of = "SELECT detail FROM audit WHERE person_id = ? AND what = 'page device added'"
    devices = (from_json("audit", "detail", detail).get("device") for (detail,) in store.query(of, (person,)))
    return {device for device in devices if isinstance(device, str)}


def take_names_out(store: Store, names: set[str]) -> None:
    """Take the names out of what is left of the history: another person's line may tell from whom a reading was
    taken."""
    for row, detail in store.query("SELECT id, detail FROM audit").fetchall():
        told = from_json("audit", "detail", detail)
        kept = {word: None if isinstance(value, str) and value in names else value for word, value in told.items()}
        if kept != told:
            store.query("UPDATE audit SET detail = ? WHERE id = ?", (json.dumps(kept, ensure_ascii=False), row))

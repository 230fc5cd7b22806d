"""One written line of two people: what two stations' logs say alike of two people in one minute are two readings.

A hand-written reading is known by its instant, its pressures and a number that is 0 but for the further people of whom
a log says the same. Between two stores it is the number of what comes in that gives way: who of them has which
number is the one thing that the order of merges decides.
"""

from collections.abc import Callable, Collection, Iterable, Mapping
from itertools import count
from typing import NamedTuple

from collector.store.database import Store
from collector.store.journal import cuffs
from collector.store.namesakes import folded
from collector.store.readings.corrections import line_of, note_of
from collector.store.readings.said import LAST_CLAIM_FIRST
from collector.store.values import CORRECTS


class Numbered(NamedTuple):
    """What a payload of a hand-written reading says."""

    number: int
    reading_id: str
    value: bytes


Retold = Callable[[int, bytes, int | None], Numbered | None]
"""(characteristic, value, number or, as it stands, None) to the same with that number; None for what cannot be read."""

_CLAIMANT = f"""(SELECT claim.person_id FROM {{0}}.outcome JOIN {{0}}.payload ON payload.id = outcome.payload_id
    JOIN main.claim ON claim.payload_uid = payload.uid WHERE outcome.reading = {{1}}.id AND holds
    ORDER BY {LAST_CLAIM_FIRST} LIMIT 1)"""
# As the log or export says that it came with: what somebody said afterwards is said of the one reading wherever it is.
_LOGGED = _CLAIMANT.replace("claim.person_id", "CASE WHEN changed_at = arrived_at THEN claim.person_id END")
_PAYLOADS = """SELECT uid, characteristic, value FROM {0}.outcome JOIN {0}.payload ON payload.id = payload_id
    WHERE outcome.reading = ? ORDER BY payload.id"""
_BOTH = """FROM other.outcome JOIN other.payload ON payload.id = outcome.payload_id JOIN main.payload here
    ON here.uid = payload.uid JOIN main.outcome told ON told.payload_id = here.id"""
# The same reading under another number here: (reading, its row here, its id here).
_RENUMBERED = f"""SELECT DISTINCT theirs.id, ours.id, ours.reading_id {_BOTH}
    JOIN other.reading theirs ON theirs.id = outcome.reading JOIN main.reading ours ON ours.id = told.reading
    WHERE other.payload.cuff_id = (SELECT id FROM other.cuff WHERE address = ?)
    AND ours.reading_id <> theirs.reading_id"""
# The same line here: (reading, whose it is, whose it is here, whether the number is the same).
_ALIKE = f"""SELECT theirs.id, {_LOGGED.format("other", "theirs")} AS claimant,
    {_LOGGED.format("main", "ours")} AS claimant_here, theirs.reading_id = ours.reading_id,
    theirs.note
    FROM other.reading theirs JOIN main.reading ours ON ours.taken_at = theirs.taken_at
    AND CAST(ours.systolic AS REAL) IS CAST(theirs.systolic AS REAL)
    AND CAST(ours.diastolic AS REAL) IS CAST(theirs.diastolic AS REAL)
    WHERE theirs.cuff_id = (SELECT id FROM other.cuff WHERE address = ?1)
    AND ours.cuff_id = (SELECT id FROM main.cuff WHERE address = ?1)
    AND claimant IS NOT NULL AND claimant_here IS NOT NULL
    AND (theirs.reading_id = ours.reading_id OR coalesce(theirs.note, '') NOT GLOB '{CORRECTS} *')
    AND NOT EXISTS (SELECT 1 {_BOTH} WHERE outcome.reading = theirs.id AND told.reading = ours.id)"""
# Of this id there, and another reading here: (reading, whose it is, note).
_OF_ID = f"""SELECT id, {_CLAIMANT.format("other", "reading")}, note FROM other.reading WHERE reading_id = ?1
    AND NOT EXISTS (SELECT 1 {_BOTH} JOIN main.reading ours ON ours.id = told.reading
    WHERE outcome.reading = other.reading.id AND ours.reading_id = ?1)"""


def tell_apart(store: Store, retold: Retold) -> None:
    """Note in `temp.told_apart` what payloads of the other store (attached, its people brought already) say here."""
    store.query("CREATE TABLE temp.told_apart (uid BLOB PRIMARY KEY, value BLOB NOT NULL)")
    apart: dict[int, list[tuple[bytes, Numbered]]] = {}  # by their reading: its payloads as they are told here
    kept: set[str] = set()  # ids that these have here
    for reading, ours, reading_id in store.query(_RENUMBERED, (cuffs.HAND,)).fetchall():
        kept.add(reading_id)
        for _, told in _told(_payloads(store, "main", ours), None, retold)[:1]:
            apart[reading] = _told(_payloads(store, "other", reading), told.number, retold)
    names = {row: folded(name) for row, name in store.query("SELECT id, name FROM main.person")}
    moving = {
        reading: line_of(names[one], note)
        for reading, one, here, same_number, note in store.query(_ALIKE, (cuffs.HAND,)).fetchall()
        if reading not in apart and (names[one] == names[here]) != same_number
    }
    for reading_id in kept:  # the other store has that and the one of this id as two
        for reading, one, note in store.query(_OF_ID, (reading_id,)).fetchall():
            if reading not in apart:
                moving[reading] = line_of(names.get(one, f"\n{reading}"), note)
    if moving:
        owners = _owners(store, names, (*apart, *moving))
        for reading, whose in moving.items():
            payloads = _payloads(store, "other", reading)
            for number in count() if _told(payloads, None, retold) else ():
                told_so = _told(payloads, number, retold)
                reading_id = told_so[0][1].reading_id
                if reading_id not in kept and owners.setdefault(reading_id, {whose}) == {whose}:
                    apart[reading] = told_so
                    break
    _follow(store, apart, retold)
    rows = [(uid, told.value) for payloads in apart.values() for uid, told in payloads]
    store.many("INSERT INTO temp.told_apart VALUES (?, ?)", rows)


def _follow(store: Store, apart: dict[int, list[tuple[bytes, Numbered]]], retold: Retold) -> None:
    """What corrects a reading that has another number here names it by its id here."""
    news = {
        note_of(store.scalar("SELECT reading_id FROM other.reading WHERE id = ?", (reading,))): told[0][1]
        for reading, told in apart.items()
        if told
    }
    if not news:
        return
    query = "SELECT id, note FROM other.reading WHERE note GLOB ?"
    for reading, note in store.query(query, (f"{CORRECTS} *",)).fetchall():
        if note in news:
            before, after = (f'"{said}"'.encode() for said in (note, note_of(news[note].reading_id)))
            apart[reading] = [
                (uid, told._replace(value=told.value.replace(before, after)))
                for uid, told in apart.get(reading) or _told(_payloads(store, "other", reading), None, retold)
            ]


def _payloads(store: Store, schema: str, reading: int) -> list[tuple[bytes, int, bytes]]:
    """(uid, characteristic, value) of each that tells of a reading."""
    return store.query(_PAYLOADS.format(schema), (reading,)).fetchall()


def _told(
    payloads: Iterable[tuple[bytes, int, bytes]], number: int | None, retold: Retold
) -> list[tuple[bytes, Numbered]]:
    """Those that can be read: (uid, what each says)."""
    found = [(uid, retold(characteristic, value, number)) for uid, characteristic, value in payloads]
    return [(uid, told) for uid, told in found if told is not None]


def _owners(store: Store, names: Mapping[int, str], but: Collection[int]) -> dict[str, set[str]]:
    """Whose hand-written readings are by their ids, here and in the other store, but those of theirs."""
    found: dict[str, set[str]] = {}
    for schema in ("main", "other"):
        rows = store.query(
            f"""SELECT reading.id, reading_id, {_CLAIMANT.format(schema, "reading")}, note
                FROM {schema}.reading
                JOIN {schema}.cuff ON cuff.id = cuff_id WHERE address = ?""",
            (cuffs.HAND,),
        )
        for reading, reading_id, person, note in rows:
            if person is not None and (schema == "main" or reading not in but):
                found.setdefault(reading_id, set()).add(line_of(names[person], note))
    return found

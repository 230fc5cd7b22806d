"""Writing what intake derives: outcomes of payloads, and readings. The journal is only read here."""

from dataclasses import dataclass
from typing import Any

from collector.store.database import Store


@dataclass(frozen=True, slots=True)
class Heard:
    """A payload as intake takes it up. at: arrival in microseconds UTC, put right where the clock was
    wrong."""

    payload: int
    uid: bytes
    station: int
    number: int
    cuff_id: int
    cuff: str
    visit: int | None
    characteristic: int
    value: bytes
    arrived_at: int  # as the station's clock showed it
    encrypted: bool | None
    clock_id: int | None


@dataclass(frozen=True, slots=True)
class Draft:
    """A reading's content, before its time and owner are known. Pressures as decimal text in `unit`."""

    reading_id: str
    slot: int | None
    systolic: str | None
    diastolic: str | None
    mean: str | None
    unit: str
    pulse: str | None
    status: tuple[str, ...]
    status_raw: int | None
    assessed: tuple[str, ...] | None
    stamp: str | None
    stamp_us: int | None
    clock: str | None
    content: str
    marks: tuple[str, ...]
    note: str | None


_HEARD = (
    "SELECT payload.id, payload.uid, station_id, number, cuff_id, address, visit_id, characteristic, value, "
    "arrived_at, "
    "encrypted, clock_id FROM payload JOIN cuff ON cuff.id = cuff_id "
)


def heard(store: Store, payload: int) -> Heard | None:
    row = store.row(_HEARD + "WHERE payload.id = ?", (payload,))
    return None if row is None else _heard(row)


def heard_of_cuff(store: Store, cuff_id: int) -> list[Heard]:
    """All payloads of a cuff, in the order of their rows."""
    return [_heard(row) for row in store.query(_HEARD + "WHERE cuff_id = ? ORDER BY payload.id", (cuff_id,))]


def waiting(store: Store) -> list[int]:
    """Payloads without an outcome, oldest first."""
    return [
        row[0]
        for row in store.query(
            "SELECT payload.id FROM payload LEFT JOIN outcome ON payload_id = payload.id "
            "WHERE payload_id IS NULL ORDER BY payload.id"
        )
    ]


def payloads_of(store: Store, cuff_id: int) -> int:
    """How many payloads came from a cuff."""
    return int(store.scalar("SELECT count(*) FROM payload WHERE cuff_id = ?", (cuff_id,)))


def _heard(row: tuple[Any, ...]) -> Heard:
    *head, encrypted, clock_id = row
    fields: Any = (*head, None if encrypted is None else bool(encrypted), clock_id)
    return Heard(*fields)


def set_outcome(store: Store, payload: int, kind: str, reading: int | None, reason: str | None = None) -> None:
    store.query(
        "INSERT INTO outcome (payload_id, kind, reading, reason) VALUES (?, ?, ?, ?) "
        "ON CONFLICT (payload_id) DO UPDATE SET kind = excluded.kind, reading = excluded.reading, "
        "reason = excluded.reason",
        (payload, kind, reading, reason),
    )


def outcome_of(store: Store, payload: int) -> tuple[str, int | None, str | None] | None:
    """(kind, reading's row, reason)."""
    row = store.row("SELECT kind, reading, reason FROM outcome WHERE payload_id = ?", (payload,))
    return None if row is None else (row[0], row[1], row[2])


def zone_row(store: Store, name: str) -> int:
    found = store.scalar("SELECT id FROM zone WHERE name = ?", (name,))
    if found is None:
        found = store.query("INSERT INTO zone (name) VALUES (?)", (name,)).lastrowid
    return int(found)


def insert_reading(store: Store, draft: Draft, source: Heard, received_at: int, zone: str) -> int:
    """A reading at its first payload; its time is set by `set_time`."""
    made = store.query(
        "INSERT INTO reading (reading_id, cuff_id, slot, systolic, diastolic, mean, unit, pulse, taken_at, "
        "basis, "
        "zone_id, received_at, status, status_raw, assessed, stamp, stamp_us, clock, content, content_marks, "
        "sightings, payload_id, visit_id, note) "
        "VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?, 'arrival', ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, 1, ?, ?, ?)",
        (
            draft.reading_id,
            source.cuff_id,
            draft.slot,
            draft.systolic,
            draft.diastolic,
            draft.mean,
            draft.unit,
            draft.pulse,
            received_at,
            zone_row(store, zone),
            received_at,
            ";".join(draft.status),
            draft.status_raw,
            None if draft.assessed is None else ";".join(draft.assessed),
            draft.stamp,
            draft.stamp_us,
            draft.clock,
            draft.content,
            ";".join(draft.marks),
            source.payload,
            source.visit,
            draft.note,
        ),
    )
    assert made.lastrowid is not None
    return made.lastrowid


def add_sighting(store: Store, reading: int) -> None:
    store.query("UPDATE reading SET sightings = sightings + 1 WHERE id = ?", (reading,))


def add_mark(store: Store, reading: int, mark: str) -> None:
    """Adds to the marks of content, once, in alphabetical order."""
    marks = set(filter(None, store.scalar("SELECT content_marks FROM reading WHERE id = ?", (reading,)).split(";")))
    if mark not in marks:
        store.query("UPDATE reading SET content_marks = ? WHERE id = ?", (";".join(sorted(marks | {mark})), reading))


def assess(store: Store, cuff_id: int, checks: tuple[str, ...]) -> None:
    """What the cuff can assess, for readings from before that was known."""
    store.query(
        "UPDATE reading SET assessed = ? WHERE cuff_id = ? AND assessed IS NULL AND clock IS NOT 'imported'",
        (";".join(checks), cuff_id),
    )


def drop_cuff(store: Store, cuff_id: int) -> None:
    """Throw away everything derived from a cuff's payloads."""
    store.query("DELETE FROM outcome WHERE payload_id IN (SELECT id FROM payload WHERE cuff_id = ?)", (cuff_id,))
    store.query("DELETE FROM reading WHERE cuff_id = ?", (cuff_id,))


def note_taken_up(store: Store, cuff_id: int, at: int) -> None:
    """A payload that arrived then (microseconds UTC) has an outcome."""
    note_unsettled(store, cuff_id, at)
    store.query("UPDATE derived SET latest = max(latest, ?) WHERE cuff_id = ?", (at, cuff_id))


def note_unsettled(store: Store, cuff_id: int, at: int) -> None:
    """Something of then is to be taken into account."""
    store.query(
        "INSERT INTO derived (cuff_id, unsettled_from) VALUES (?, ?) ON CONFLICT (cuff_id) DO UPDATE "
        "SET unsettled_from = min(coalesce(unsettled_from, excluded.unsettled_from), excluded.unsettled_from)",
        (cuff_id, at),
    )


def note_redo(store: Store, cuff_id: int) -> None:
    """The cuff is to be derived anew."""
    store.query(
        "INSERT INTO derived (cuff_id, redo) VALUES (?, 1) ON CONFLICT (cuff_id) DO UPDATE SET redo = 1", (cuff_id,)
    )


def note_settled(store: Store, cuff_id: int, redone: bool) -> None:
    """The cuff's readings are as good as can be. redone: derived anew."""
    store.query("UPDATE derived SET unsettled_from = NULL WHERE cuff_id = ?", (cuff_id,))
    if redone:
        store.query("UPDATE derived SET redo = 0 WHERE cuff_id = ?", (cuff_id,))


def latest_arrival(store: Store, cuff_id: int) -> int | None:
    """Of the payloads taken up; microseconds UTC."""
    found: int | None = store.scalar("SELECT latest FROM derived WHERE cuff_id = ?", (cuff_id,))
    return found


def unsettled_from(store: Store, cuff_id: int) -> int | None:
    """Since when something is not taken into account; None for nothing."""
    found: int | None = store.scalar("SELECT unsettled_from FROM derived WHERE cuff_id = ?", (cuff_id,))
    return found


def cuffs_to_redo(store: Store) -> list[int]:
    """Cuffs to derive anew."""
    return [row[0] for row in store.query("SELECT cuff_id FROM derived WHERE redo ORDER BY cuff_id")]


def cuffs_unsettled(store: Store) -> list[int]:
    """Cuffs with something that was not taken into account in full."""
    rows = store.query("SELECT cuff_id FROM derived WHERE unsettled_from IS NOT NULL ORDER BY cuff_id")
    return [row[0] for row in rows]


def every_cuff(store: Store, address: str | None = None) -> list[int]:
    """Rows of all cuffs, or of the one."""
    return [
        row[0] for row in store.query("SELECT id FROM cuff WHERE ?1 IS NULL OR address = ?1 ORDER BY id", (address,))
    ]

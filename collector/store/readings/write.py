"""Writing what intake derives: outcomes of payloads, and readings. The journal is only read here."""

from dataclasses import dataclass

from collector.store.database import Store
from collector.store.journal.payloads import Payload
from collector.store.values import OutcomeKind


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


def set_outcome(store: Store, payload: int, kind: OutcomeKind, reading: int | None, reason: str | None = None) -> None:
    store.query(
        "INSERT INTO outcome (payload_id, kind, reading, reason) VALUES (?, ?, ?, ?) "
        "ON CONFLICT (payload_id) DO UPDATE SET kind = excluded.kind, reading = excluded.reading, "
        "reason = excluded.reason",
        (payload, kind, reading, reason),
    )


def outcome_of(store: Store, payload: int) -> tuple[OutcomeKind, int | None, str | None] | None:
    """(kind, reading's row, reason)."""
    row = store.row("SELECT kind, reading, reason FROM outcome WHERE payload_id = ?", (payload,))
    return None if row is None else (OutcomeKind(row[0]), row[1], row[2])


def zone_row(store: Store, name: str) -> int:
    """Call inside a transaction."""
    if name not in store.zone_rows:
        store.zone_rows[name] = _zone_row(store, name)
    return store.zone_rows[name]


def _zone_row(store: Store, name: str) -> int:
    found = store.scalar("SELECT id FROM zone WHERE name = ?", (name,))
    if found is None:
        found = store.query("INSERT INTO zone (name) VALUES (?)", (name,)).lastrowid
    return int(found)


def insert_reading(store: Store, draft: Draft, source: Payload, received_at: int, zone: str) -> int:
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
            source.row,
            source.visit,
            draft.note,
        ),
    )
    assert made.lastrowid is not None
    return made.lastrowid


def add_sighting(store: Store, reading: int) -> None:
    store.query("UPDATE reading SET sightings = sightings + 1 WHERE id = ?", (reading,))


def fill_in(store: Store, reading: int, pulse: str | None, note: str | None) -> None:
    """What a hand-written reading did not say at first, and says now that its line comes again."""
    store.query(
        "UPDATE reading SET pulse = coalesce(pulse, ?), note = coalesce(note, ?) WHERE id = ?", (pulse, note, reading)
    )


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


def row_of(store: Store, reading_id: str) -> int | None:
    found: int | None = store.scalar("SELECT id FROM reading WHERE reading_id = ?", (reading_id,))
    return found


def id_of(store: Store, row: int) -> str | None:
    found: str | None = store.scalar("SELECT reading_id FROM reading WHERE id = ?", (row,))
    return found


def count(store: Store) -> int:
    return int(store.scalar("SELECT count(*) FROM reading"))


def set_sightings(store: Store, row: int, sightings: int) -> None:
    store.query("UPDATE reading SET sightings = ? WHERE id = ?", (sightings, row))


def of_stamp(store: Store, cuff_id: int, stamp: str, slot: int | None) -> list[int]:
    """The rows of a cuff's readings with this stamp in this slot."""
    rows = store.query("SELECT id FROM reading WHERE cuff_id = ? AND stamp = ? AND slot IS ?", (cuff_id, stamp, slot))
    return [row for (row,) in rows.fetchall()]


_UNSTAMPED = """
    SELECT reading.id, reading_id FROM payload JOIN outcome ON outcome.payload_id = payload.id
    JOIN reading ON reading.id = outcome.reading
    WHERE kind = 'reading' AND content = ? AND stamp IS NULL
"""


def unstamped_before(store: Store, payload: Payload, content: str, within_us: int) -> tuple[int, str] | None:
    """(row, id) of the unstamped reading of the same content that came in the payload's visit or just before it."""
    row = None
    if payload.visit is not None:
        in_visit = f"{_UNSTAMPED} AND payload.visit_id = ? ORDER BY payload.arrived_at, payload.uid LIMIT 1"
        row = store.row(in_visit, (content, payload.visit))
    row = row or store.row(
        f"""{_UNSTAMPED} AND payload.cuff_id = ? AND payload.arrived_at BETWEEN ? AND ? AND clock_id IS ?
            ORDER BY payload.arrived_at DESC, payload.id LIMIT 1""",
        (content, payload.cuff_id, payload.arrived_at - within_us, payload.arrived_at, payload.clock_id),
    )
    return None if row is None else (row[0], row[1])

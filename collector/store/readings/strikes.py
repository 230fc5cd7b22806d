"""Readings that count no longer: struck out, corrected or marked as taken standing, or a hand-written copy of a cuff's.

They stay in the store and are shown with their mark; averages leave them out. A strike names the payload, not the
derived reading, so that it outlives a rebuild and travels with a merge.
"""

from datetime import datetime

from collector.store import audit, readings
from collector.store.database import Store, new_uid
from collector.store.errors import RefusedByStore
from collector.store.instants import SECOND, to_us
from collector.store.journal import cuffs
from collector.store.readings.said import after_all_said
from collector.store.values import CORRECTED, HAND_COPY, STRIKES, STRUCK_OUT, Reading


def strike(store: Store, reading_id: str, at: datetime, mark: str = STRUCK_OUT) -> Reading:
    """From now on it counts nowhere. Raises StoreError for none of that id, or one that is struck out already."""
    with store.transaction():
        reading = readings.get(store, reading_id)
        if held := STRIKES.intersection(reading.marks):
            already = f"reading {reading.reading_id} is {min(held)} already"
            command = "correct" if CORRECTED in held else "strike"
            raise RefusedByStore(f"{already}; `quietcuff {command} … --undo` takes that back")
        _write(store, reading, mark, True, at)
        return readings.get(store, reading.reading_id)


def undo(store: Store, reading_id: str, at: datetime, corrected: bool = False) -> Reading:
    """It counts again. corrected: it was; else it was struck out or marked. Raises StoreError where it was not so.

    What was corrected has another reading in its place: to count it again alone would count both.
    """
    with store.transaction():
        reading = readings.get(store, reading_id)
        mark = next(iter(STRIKES.intersection(reading.marks)), None)
        if mark == CORRECTED and not corrected:
            command = f"`quietcuff correct {reading.reading_id} --undo`"
            raise RefusedByStore(f"reading {reading.reading_id} was corrected; {command} takes that back")
        if mark is None:
            raise RefusedByStore(f"reading {reading.reading_id} is not struck out or marked as standing")
        _write(store, reading, mark, False, at)
        return readings.get(store, reading.reading_id)


def _write(store: Store, reading: Reading, mark: str, holds: bool, at: datetime) -> None:
    store.query(
        f"""INSERT INTO strike (uid, payload_uid, mark, holds, changed_at)
        SELECT ?, payload.uid, ?, ?, {after_all_said("strike", "?")}
        FROM reading JOIN payload ON payload.id = payload_id WHERE reading_id = ?
        ON CONFLICT (payload_uid) DO UPDATE SET mark = excluded.mark, holds = excluded.holds,
        changed_at = excluded.changed_at""",
        (new_uid(), mark, int(holds), to_us(at), reading.reading_id),
    )
    what = f"reading {mark}" if holds else f"reading no longer {mark}"
    person = store.scalar("SELECT person_id FROM reading WHERE reading_id = ?", (reading.reading_id,))
    audit.record(store, at, what, {"reading": reading.reading_id}, person)
    mark_struck(store)


def mark(store: Store, cuff_id: int, since: int) -> None:
    """Mark a cuff's readings that were struck out, and what copies those received since then (microseconds UTC)."""
    mark_struck(store, cuff_id)
    _mark_copies(store, cuff_id, since)


def mark_struck(store: Store, cuff_id: int | None = None) -> None:
    """Mark what is struck out, of one cuff or all, and take the mark from what is no longer."""
    rows = store.query(
        """SELECT reading.id, content_marks, strike.mark, holds FROM strike
        CROSS JOIN payload ON payload.uid = payload_uid -- from the few strikes on, not from all outcomes
        JOIN outcome ON outcome.payload_id = payload.id JOIN reading ON reading.id = outcome.reading
        WHERE ?1 IS NULL OR reading.cuff_id = ?1 ORDER BY strike.changed_at, strike.uid""",
        (cuff_id,),
    ).fetchall()
    last = {row: said for row, *said in rows}  # several where several stations heard it: the last word holds
    for row, (marks, mark, holds) in last.items():
        kept = words(marks) - STRIKES
        set_marks(store, row, marks, kept | {mark} if holds else kept)


COPY_WITHIN_US = 60 * SECOND


def _mark_copies(store: Store, cuff_id: int, since: int) -> None:
    """Mark the hand-written readings that copy one of a cuff: same values within a minute, and nobody else's.

    cuff_id, since: whose readings received since then (microseconds UTC) are new or were moved.
    """
    hand = store.scalar("SELECT id FROM cuff WHERE address = ?", (cuffs.HAND,))
    if hand is None:
        return
    values: tuple[int, ...] = (since,)
    if cuff_id == hand:
        where = "received_at >= ?"
    else:
        first, last = store.row(
            "SELECT min(taken_at), max(taken_at) FROM reading WHERE cuff_id = ? AND received_at >= ?", (cuff_id, since)
        ) or (None, None)
        if first is None:
            return
        where, values = "taken_at BETWEEN ? AND ?", (first - COPY_WITHIN_US, last + COPY_WITHIN_US)
    rows = store.query(
        f"""SELECT id, content_marks, copied FROM (SELECT id, content_marks,
            EXISTS (SELECT 1 FROM reading sent WHERE sent.cuff_id <> written.cuff_id
            AND sent.taken_at BETWEEN written.taken_at - {COPY_WITHIN_US} AND written.taken_at + {COPY_WITHIN_US}
            AND sent.unit = 'mmHg' AND CAST(sent.systolic AS REAL) = CAST(written.systolic AS REAL)
            AND CAST(sent.diastolic AS REAL) = CAST(written.diastolic AS REAL)
            AND (sent.person_id IS NULL OR written.person_id IS NULL OR sent.person_id = written.person_id)) AS copied
        FROM reading written WHERE cuff_id = {hand} AND {where})
        WHERE copied OR instr(content_marks, ?)""",
        (*values, HAND_COPY),
    ).fetchall()
    for row, marks, copied in rows:
        others = words(marks) - {HAND_COPY}
        set_marks(store, row, marks, others | {HAND_COPY} if copied else others)


def words(marks: str) -> set[str]:
    return set(filter(None, marks.split(";")))


def set_marks(store: Store, row: int, before: str, after: set[str]) -> None:
    joined = ";".join(sorted(after))
    if joined != before:
        store.query("UPDATE reading SET content_marks = ? WHERE id = ?", (joined, row))

"""Readings that count no longer: struck out, corrected or marked as taken standing.

They stay in the store and are shown with their mark; averages leave them out. A strike names the payload, not the
derived reading, so that it outlives a rebuild and travels with a merge.
"""

from datetime import datetime

from collector.store import audit, readings
from collector.store.database import Store, new_uid
from collector.store.errors import RefusedByStore
from collector.store.instants import EVER, to_us
from collector.store.journal import cuffs
from collector.store.readings import copies, corrections
from collector.store.readings.copies import Stretch
from collector.store.readings.marks import set_marks, words
from collector.store.readings.said import after_all_said
from collector.store.values import CORRECTED, OVERTAKEN, STRIKES, STRUCK_OUT, Reading


def strike(store: Store, reading_id: str, at: datetime, mark: str = STRUCK_OUT) -> Reading:
    """From now on it counts nowhere. Raises StoreError for none of that id, or one that is struck out already."""
    with store.transaction():
        reading = readings.get(store, reading_id)
        if held := STRIKES.intersection(reading.marks):
            already = f"reading {reading.reading_id} is {min(held)} already"
            command = "correct" if CORRECTED in held else "strike"
            raise RefusedByStore(f"{already}; `quietcuff {command} … --undo` takes that back")
        _must_hold(reading)
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
        _must_hold(reading)
        _write(store, reading, mark, False, at)
        return readings.get(store, reading.reading_id)


def take_over(store: Store, told: Reading) -> None:
    """What another station says of a reading that is here too, unless somebody said something of it here, or takes it
    back: as if said when the reading came, so that whatever anybody says of it counts for more. Call `mark_struck` and
    `corrections.mark` afterwards."""
    for said in STRIKES.intersection(told.marks):
        store.query(
            """INSERT INTO strike (uid, payload_uid, mark, holds, changed_at)
            SELECT ?1, payload.uid, ?2, 1, arrived_at FROM reading JOIN payload ON payload.id = payload_id
            WHERE reading_id = ?3 AND NOT EXISTS (SELECT 1 FROM outcome JOIN payload ON payload.id = outcome.payload_id
            JOIN strike ON payload_uid = payload.uid WHERE outcome.reading = reading.id)""",
            (new_uid(), said, told.reading_id),
        )


def _must_hold(reading: Reading) -> None:
    if OVERTAKEN in reading.marks:
        was = corrections.corrected_by(reading.note or "")
        raise RefusedByStore(
            f"reading {reading.reading_id} counts no longer: what it corrects, {was}, counts as it came or was put "
            f"right otherwise; `quietcuff correct {was}` says anew what it should be"
        )


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
    corrections.mark(store)
    copies.mark(store, Stretch(to_us(reading.taken_at), to_us(reading.taken_at)))


def mark(store: Store, cuff_id: int, since: int, stood: Stretch | None = None) -> None:
    """Mark a cuff's readings that were struck out, and what copies those received since then (microseconds UTC).

    stood: when these were taken, as far as anybody knew until now.
    """
    mark_struck(store, cuff_id)
    if since == EVER:  # a correction comes with all of its cuff, or is said by `intake.correction`
        corrections.mark(store)
    if cuff_id in cuffs.rows(store, cuffs.HAND):
        copies.mark_written(store, since)
    else:
        copies.mark(store, stood, copies.taken(store, cuff_id, since))


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

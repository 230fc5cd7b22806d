"""Readings that stand in the place of others: a note beside each says which one it corrects.

One holds while what it corrects is marked so, and only the last that was written of it: at another station the same
reading may have been put right otherwise, struck out, or left as it came.
"""

from datetime import datetime

from collector.store.database import Store
from collector.store.instants import from_us
from collector.store.journal import cuffs
from collector.store.readings.marks import set_marks, words
from collector.store.values import CORRECTED, CORRECTS, OVERTAKEN


def note_of(reading_id: str) -> str:
    """Stands beside the reading that corrects this one."""
    return f"{CORRECTS} {reading_id}"


def corrected_by(note: str) -> str:
    """The id of the reading that the one with this note corrects."""
    return note.removeprefix(note_of(""))


def line_of(name: str, note: str | None) -> str:
    """What is one line of a hand-written log, by whose it is (folded) and its note: what corrects a line is another."""
    return f"{name} {note}" if note and note.startswith(note_of("")) else name


def after_all(store: Store, reading_id: str, at: datetime) -> datetime:
    """When a correction of this reading is written now: later than all before it, whatever the clock showed then."""
    last = store.scalar(
        "SELECT max(received_at) FROM reading JOIN cuff ON cuff.id = cuff_id WHERE address = ? AND note = ?",
        (cuffs.HAND, note_of(reading_id)),
    )
    return at if last is None else max(at, from_us(last + 1))


def mark(store: Store) -> None:
    """Mark those that hold no longer, unmark those that do again. What they correct may have been corrected itself."""
    rows = store.query(
        """SELECT reading.id, reading_id, content_marks, note FROM reading JOIN cuff ON cuff.id = cuff_id
        WHERE address = ? AND note GLOB ? ORDER BY received_at, reading_id""",
        (cuffs.HAND, f"{CORRECTS} *"),
    ).fetchall()
    last = {note: reading_id for _, reading_id, _, note in rows}
    overtaken: set[str] = set()
    waiting = {reading_id: (row, marks, note) for row, reading_id, marks, note in rows}
    while ready := [one for one, (_, _, note) in waiting.items() if corrected_by(note) not in waiting]:
        for reading_id in ready:
            row, before, note = waiting.pop(reading_id)
            was = corrected_by(note)
            marks = store.scalar("SELECT content_marks FROM reading WHERE reading_id = ?", (was,))
            if marks is None:  # what it corrects is not here
                continue
            after = words(before) - {OVERTAKEN}
            if was in overtaken or last[note] != reading_id or CORRECTED not in words(marks):
                overtaken.add(reading_id)
                after.add(OVERTAKEN)
            set_marks(store, row, before, after)

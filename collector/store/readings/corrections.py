"""Readings that stand in the place of others: a note beside each says which one it corrects.

One holds while what it corrects is marked so, and only the last that was written of it: at another station the same
reading may have been put right otherwise, struck out, or left as it came. Whose it is follows what it corrects.
"""

from datetime import datetime

from collector.store import readings
from collector.store.database import Store
from collector.store.instants import from_us
from collector.store.journal import cuffs
from collector.store.readings import claims, copies
from collector.store.readings.copies import Stretch
from collector.store.readings.marks import set_marks, words
from collector.store.values import CORRECTED, CORRECTS, OVERTAKEN


def note_of(reading_id: str) -> str:
    """Stands beside the reading that corrects this one."""
    return f"{CORRECTS} {reading_id}"


def corrects(note: str | None) -> bool:
    """Whether the reading with this note stands in the place of another."""
    return note is not None and note.startswith(note_of(""))


def corrected_by(note: str) -> str:
    """The id of the reading that the one with this note corrects."""
    return note.removeprefix(note_of(""))


def first(store: Store, reading_id: str) -> str:
    """The id of the reading with this id or, of one that corrects another that is here, of what was corrected first."""
    found = readings.get(store, reading_id)
    seen = {found.reading_id}
    while found.cuff == cuffs.HAND and found.note and corrects(found.note):
        was = corrected_by(found.note)
        if was in seen or not (here := readings.those(store, [was])):
            break
        found = here[was]
        seen.add(was)
    return found.reading_id


def line_of(name: str, note: str | None) -> str:
    """What is one line of a hand-written log, by whose it is (folded) and its note: what corrects a line is another."""
    return f"{name} {note}" if corrects(note) else name


def after_all(store: Store, reading_id: str, at: datetime) -> datetime:
    """When a correction of this reading is written now: later than all before it, whatever the clock showed then."""
    last = store.scalar(
        "SELECT max(received_at) FROM reading JOIN cuff ON cuff.id = cuff_id WHERE address = ? AND note = ?",
        (cuffs.HAND, note_of(reading_id)),
    )
    return at if last is None else max(at, from_us(last + 1))


def mark(store: Store) -> None:
    """Mark those that hold no longer, unmark those that do again, and give each to whom what it corrects belongs.

    What they correct may have been corrected itself.
    """
    rows = store.query(
        """SELECT reading.id, reading_id, content_marks, note, person_id, taken_at FROM reading
        JOIN cuff ON cuff.id = cuff_id WHERE address = ? AND note GLOB ? ORDER BY received_at, reading_id""",
        (cuffs.HAND, f"{CORRECTS} *"),
    ).fetchall()
    last = {note: reading_id for _, reading_id, _, note, *_ in rows}
    overtaken: set[str] = set()
    waiting = {reading_id: (note, row, before, person, at) for row, reading_id, before, note, person, at in rows}
    while ready := [one for one, (note, *_) in waiting.items() if corrected_by(note) not in waiting]:
        for reading_id in ready:
            note, row, before, person, at = waiting.pop(reading_id)
            was = corrected_by(note)
            found = store.row("SELECT content_marks, person_id FROM reading WHERE reading_id = ?", (was,))
            if found is None:  # what it corrects is not here
                continue
            marks, owner = found
            after = words(before) - {OVERTAKEN}
            if was in overtaken or last[note] != reading_id or CORRECTED not in words(marks):
                overtaken.add(reading_id)
                after.add(OVERTAKEN)
            set_marks(store, row, before, after)
            if owner != person:
                claims.follow(store, row, owner)
                copies.mark(store, Stretch(at, at))

"""Readings that stand in the place of others: a note beside each says which one it corrects.

One holds while what it corrects is marked so, and only the last that was written of it: at another station the same
reading may have been put right otherwise, struck out, or left as it came. Whose it is follows what it corrects, and
when it was taken, unless somebody put that right.
"""

from collections.abc import Iterable
from contextlib import suppress
from datetime import datetime
from typing import NamedTuple

from collector.store import readings
from collector.store.database import Store
from collector.store.instants import from_us
from collector.store.journal import cuffs
from collector.store.readings import claims, copies
from collector.store.readings.copies import Stretch
from collector.store.readings.marks import set_marks, words
from collector.store.readings.times import AS_WAS
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


def payload_of(store: Store, reading_id: str) -> str:
    """The uid, hex, of a reading's payload."""
    query = "SELECT hex(uid) FROM reading JOIN payload ON payload.id = payload_id WHERE reading_id = ?"
    return str(store.scalar(query, (reading_id,)))


def _name_anew(store: Store) -> None:
    """What they correct has another id since its cuff turned out to be another's earlier self: known by its payload."""
    lost = store.query(
        f"""SELECT written.id, json_extract(CAST(value AS TEXT), '$.of') FROM reading written
        JOIN cuff ON cuff.id = written.cuff_id JOIN payload ON payload.id = written.payload_id
        WHERE address = ? AND characteristic = 0 AND json_valid(CAST(value AS TEXT)) AND written.note GLOB ?
        AND NOT EXISTS (SELECT 1 FROM reading was WHERE was.reading_id = substr(written.note, {len(CORRECTS) + 2}))""",
        (cuffs.HAND, note_of("*")),
    ).fetchall()
    for row, uid in lost:
        with suppress(ValueError, TypeError):
            query = """SELECT reading_id FROM payload JOIN outcome ON outcome.payload_id = payload.id
                JOIN reading ON reading.id = outcome.reading WHERE uid = ?"""
            if (found := store.scalar(query, (bytes.fromhex(uid),))) is not None:
                store.query("UPDATE reading SET note = ? WHERE id = ?", (note_of(found), row))


def mark(store: Store) -> None:
    """Mark those that hold no longer, unmark those that do again, and let each follow what it corrects.

    What they correct may have been corrected itself.
    """
    _name_anew(store)
    rows = store.query(
        f"""SELECT {_STANDS} FROM reading JOIN cuff ON cuff.id = cuff_id
        WHERE address = ? AND note GLOB ? ORDER BY received_at, reading_id""",
        (cuffs.HAND, f"{CORRECTS} *"),
    ).fetchall()
    waiting = {one.reading_id: one for one in map(_Stands._make, rows)}
    known = frozenset(waiting)
    last = {one.note: one.reading_id for one in waiting.values()}
    overtaken: set[str] = set()
    changed: set[int] = set()  # at these times others may be copies now, or none any more
    while ready := [one for one in waiting.values() if corrected_by(one.note) not in waiting]:
        for one in ready:
            del waiting[one.reading_id]
            query = (
                "SELECT id, reading_id, content_marks, '', person_id, '', taken_at FROM reading WHERE reading_id = ?"
            )
            if (found := store.row(query, (corrected_by(one.note),))) is None:  # what it corrects is not here
                continue
            was = _Stands._make(found)
            after = words(one.marks) - {OVERTAKEN}
            last_word = last[one.note] == one.reading_id
            if was.reading_id in overtaken or not last_word or CORRECTED not in words(was.marks):
                overtaken.add(one.reading_id)
                after.add(OVERTAKEN)
            if (OVERTAKEN in after) != (OVERTAKEN in words(one.marks)):
                changed.add(one.taken_at)
            set_marks(store, one.row, one.marks, after)
            changed.update(_follow(store, one, was, came=was.reading_id not in known))
    for at in changed:
        copies.mark(store, Stretch(at, at))


_STANDS = "reading.id, reading_id, content_marks, coalesce(note, ''), person_id, clock, taken_at"


class _Stands(NamedTuple):
    """A reading as it stands: its row, its person's, microseconds UTC."""

    row: int
    reading_id: str
    marks: str
    note: str
    person: int | None
    clock: str | None
    taken_at: int


def _follow(store: Store, one: _Stands, was: _Stands, *, came: bool) -> Iterable[int]:
    """Whose and when a correction is follows what it corrects. came: that is no correction itself. Returns the times
    of those that changed."""
    if one.person != was.person:
        # Said of the correction alone, by an earlier quietcuff or where what it corrects was not: it is said of both.
        alone = came and claims.last_said(store, one.reading_id) > claims.last_said(store, was.reading_id)
        claims.follow(store, *((was.row, one.person) if alone else (one.row, was.person)))
    moved = one.clock == AS_WAS and one.taken_at != was.taken_at
    if moved:
        store.query("UPDATE reading SET taken_at = ? WHERE id = ?", (was.taken_at, one.row))
    return (one.taken_at, was.taken_at) if moved or one.person != was.person else ()

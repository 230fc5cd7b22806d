"""Hand-written readings that copy another one: what a cuff sent, or the same line taken in twice for one person.

They stay in the store and are shown with their mark; averages count the one that they copy. A line that says what a
correction says of the same minute is one that was put right in the log as well, whichever came first: the correction
counts, unless it was struck out beside a line that was there before. What is nobody's, or came over a bond that nobody
has confirmed, or is a correction that holds no longer, counts nowhere, so somebody's own is no copy of it. Which ones
these are follows from when readings were taken and whose they are: whoever changes that has them looked at again.
"""

from collections.abc import Sequence
from typing import NamedTuple

from collector.store.database import Store
from collector.store.instants import EVER, MINUTE, SECOND
from collector.store.journal import cuffs
from collector.store.readings.marks import set_marks, words
from collector.store.values import BOND_NOT_CONFIRMED, COPIES, CORRECTS, HAND_COPY, OVERTAKEN, STRUCK_OUT, WRITTEN_TWICE

WITHIN_US = MINUTE
"""So far apart a cuff's clock and the writer's may be."""
UNSURE_US = 5 * MINUTE
"""And farther by what the cuff's time may be out, up to this: beyond it a time is not called sure."""
_REACH_US = WITHIN_US + UNSURE_US
_APART = "abs(other.taken_at - written.taken_at)"
_MAY_BE_OUT = f"min(coalesce(CAST(other.uncertainty_s AS REAL), 0) * {SECOND}, {UNSURE_US})"
_SAME_PULSE = "coalesce(CAST(other.pulse AS REAL) = CAST(written.pulse AS REAL), 1)"
_AT_ONCE = f"""other.taken_at BETWEEN written.taken_at - {_REACH_US} AND written.taken_at + {_REACH_US}
    AND ({_APART} <= {WITHIN_US} OR {_APART} <= {WITHIN_US} + {_MAY_BE_OUT} AND {_SAME_PULSE})"""
_SAME_VALUES = """other.unit = 'mmHg' AND CAST(other.systolic AS REAL) = CAST(written.systolic AS REAL)
    AND CAST(other.diastolic AS REAL) = CAST(written.diastolic AS REAL)"""
_CORRECTED = f"""WITH RECURSIVE corrected (id) AS (SELECT coalesce(substr({{0}}.note, {len(CORRECTS) + 2}), '')
    UNION SELECT coalesce(substr(one.note, {len(CORRECTS) + 2}), '') FROM corrected JOIN reading one
    ON one.reading_id = corrected.id) SELECT id FROM corrected"""
"""What a reading stands in the place of, and what that stood in the place of: none of these is a copy of another."""
_MINUTE = f"(written.taken_at - written.taken_at % {MINUTE})"
# The + keeps SQLite from looking through all that was received before.
_FOUND = f"""SELECT id, content_marks, sent, twice FROM (SELECT id, content_marks,
    EXISTS (SELECT 1 FROM reading other WHERE other.cuff_id <> written.cuff_id AND {_SAME_VALUES} AND {_AT_ONCE}
        AND (written.person_id IS NULL OR other.person_id = written.person_id)
        AND NOT instr(other.content_marks, '{BOND_NOT_CONFIRMED}')
        AND other.reading_id NOT IN ({_CORRECTED.format("written")})) AS sent,
    EXISTS (SELECT 1 FROM reading other WHERE other.cuff_id = written.cuff_id AND {_SAME_VALUES}
        AND other.taken_at BETWEEN {_MINUTE} AND {_MINUTE} + {MINUTE - 1}
        AND (other.note GLOB '{CORRECTS} *' AND NOT instr(other.content_marks, '{STRUCK_OUT}')
            OR other.taken_at = written.taken_at AND (+other.received_at, other.reading_id) <
            (written.received_at, written.reading_id)) AND NOT instr(other.content_marks, '{OVERTAKEN}')
        AND other.person_id = written.person_id AND coalesce(written.note, '') NOT GLOB '{CORRECTS} *'
        AND written.reading_id NOT IN ({_CORRECTED.format("other")})) AS twice
    FROM reading written WHERE cuff_id = ? AND {{where}}) WHERE sent OR twice OR instr(content_marks, ?)
    OR instr(content_marks, ?)"""


class Stretch(NamedTuple):
    """Of time, in microseconds UTC, both ends included."""

    first: int
    last: int


ALWAYS = Stretch(EVER, -EVER)


def taken(store: Store, cuff_id: int, since: int) -> Stretch | None:
    """When a cuff's readings were taken that came since then (microseconds UTC)."""
    bounds = "SELECT min(taken_at), max(taken_at) FROM reading WHERE cuff_id = ? AND received_at >= ?"
    first, last = store.row(bounds, (cuff_id, since)) or (None, None)
    return None if first is None else Stretch(first, last)


def mark(store: Store, *times: Stretch | None) -> None:
    """Mark what copies a reading taken from the first to the last of these times, unmark what does so no longer."""
    known = [time for time in times if time]
    if known:
        first, last = min(time.first for time in known), max(time.last for time in known)
        _mark(store, "taken_at BETWEEN ? AND ?", (first - _REACH_US, last + _REACH_US))


def mark_written(store: Store, since: int) -> None:
    """The same of the hand-written readings alone that came since then (microseconds UTC)."""
    _mark(store, "received_at >= ?", (since,))


def _mark(store: Store, where: str, values: tuple[int, ...]) -> None:
    hand = store.scalar("SELECT id FROM cuff WHERE address = ?", (cuffs.HAND,))
    if hand is None:
        return
    rows = store.query(_FOUND.format(where=where), (hand, *values, HAND_COPY, WRITTEN_TWICE)).fetchall()
    for row, marks, sent, twice in rows:
        copy = {HAND_COPY} if sent else {WRITTEN_TWICE} if twice else set()
        set_marks(store, row, marks, words(marks) - COPIES | copy)


def count(store: Store, reading_ids: Sequence[str]) -> int:
    """How many of these copy what a cuff sent."""
    marked = store.query(
        """SELECT reading_id FROM reading JOIN cuff ON cuff.id = reading.cuff_id
        WHERE address = ? AND instr(';' || content_marks || ';', ?)""",
        (cuffs.HAND, f";{HAND_COPY};"),
    )
    return len({reading_id for (reading_id,) in marked}.intersection(reading_ids))

"""Notes on a person's days: a change of regimen that averages are compared around, or anything else worth a line."""

from dataclasses import dataclass
from datetime import date, datetime, time
from shlex import quote

from collector.store import audit, people
from collector.store.acceptable import day_problem, text_problem
from collector.store.columns import day_of
from collector.store.database import Store, new_uid
from collector.store.errors import RefusedByStore
from collector.store.instants import LATER, to_us

REGIMEN, DOSE, OTHER = "regimen", "dose", "other"
KINDS = (REGIMEN, DOSE, OTHER)
LONGEST = 500
"""Characters: a line for a page, not a record of treatment."""


@dataclass(frozen=True, slots=True)
class Note:
    note_id: str  # hex, the same at every station
    person: str
    day: date
    kind: str
    text: str


def add(store: Store, person: str, day: date, text: str, kind: str, at: datetime) -> Note:
    """Raises StoreError for nobody of that name, an empty or overlong text, or the same note once more."""
    owner = people.need(store, person)
    text = " ".join(text.split())
    if not text or len(text) > LONGEST:
        raise RefusedByStore(f"a note has 1 to {LONGEST} characters, this one {len(text)}")
    if problem := text_problem(text):
        raise RefusedByStore(f"a note {problem}")
    if problem := day_problem(day):
        raise RefusedByStore(f"the day {day} {problem}")
    if kind not in KINDS:
        raise RefusedByStore(f"a note is of kind {', '.join(KINDS[:-1])} or {KINDS[-1]}, not '{kind}'")
    if kind == DOSE and dose_time(text) is None:
        raise RefusedByStore("of a dose only its time is noted, such as 07:30; never what it was or how much")
    uid = new_uid()
    with store.transaction():
        if any((one.day, one.kind, one.text) == (day, kind, text) for one in every(store, owner.name)):
            raise RefusedByStore(f"{owner.name} has this note on {day} already")
        store.query(
            "INSERT INTO note (uid, person_id, kind, day, text, changed_at) VALUES (?, ?, ?, ?, ?, ?)",
            (uid, owner.row, kind, day.isoformat(), text, to_us(at)),
        )
        audit.record(store, at, "note added", {"person": owner.name, "day": day.isoformat(), "kind": kind}, owner.row)
    return Note(note_id=uid.hex(), person=owner.name, day=day, kind=kind, text=text)


def dose_time(text: str) -> time | None:
    """The wall clock time that the note of a dose holds, '07:30'; None where it is no time."""
    try:
        return datetime.strptime(text, "%H:%M").time() if text.isascii() else None
    except ValueError:
        return None


def every(store: Store, person: str, kind: str | None = None) -> list[Note]:
    """A person's notes, the oldest day first. Raises StoreError for nobody of that name."""
    owner = people.need(store, person)
    return [
        Note(note_id=uid.hex(), person=owner.name, day=day_of(day), kind=found, text=text)
        for uid, day, found, text in store.query(
            """SELECT uid, day, kind, text FROM note WHERE person_id = ?1 AND NOT gone AND (?2 IS NULL OR
                kind = ?2) ORDER BY day, id""",
            (owner.row, kind),
        )
    ]


def remove(store: Store, person: str, note_id: str, at: datetime) -> Note:
    """Take back the note whose id begins so. Raises StoreError for none or several."""
    owner = people.need(store, person)
    with store.transaction():
        found = [one for one in every(store, owner.name) if note_id and one.note_id.startswith(note_id.lower())]
        if len(found) != 1:
            problem = (
                f"{len(found)} notes of {owner.name} have ids that begin"
                if found
                else (f"no note of {owner.name} has an id that begins")
            )
            raise RefusedByStore(f"{problem} with '{note_id}'; `quietcuff note list {quote(owner.name)}` shows them")
        # The text goes at once; the row stays, so that the removal wins wherever stores merge.
        store.query(
            f"UPDATE note SET gone = 1, text = '', {LATER} WHERE uid = ?", (to_us(at), bytes.fromhex(found[0].note_id))
        )
        detail = {"person": owner.name, "day": found[0].day.isoformat(), "kind": found[0].kind}
        audit.record(store, at, "note removed", detail, owner.row)
    return found[0]

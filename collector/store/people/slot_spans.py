"""Whose slot was it, and when: (cuff, slot) belongs to a person from–until."""

from dataclasses import dataclass
from datetime import datetime
from typing import Final, Literal

from collector.store import audit, people
from collector.store.acceptable import meant_us
from collector.store.database import Store, new_uid
from collector.store.errors import RefusedByStore
from collector.store.instants import LATER, from_us, to_us
from collector.store.journal import cuffs
from collector.store.namesakes import CALLED

ABSENT, ANY = -1, -2
"""How the table writes a record without User ID, and any User ID or none."""

Slot = int | None | Literal["any"]
"""A record's User ID (255: unknown user); None: records without one; 'any': whatever the record says. Beside any a slot
of its own may be given to somebody else: any is the rest then. What is lent is lent whole."""
ANY_SLOT: Final = "any"


@dataclass(frozen=True, slots=True)
class Span:
    """since is included, until is not; None: from the beginning, until further notice."""

    row: int
    person: str
    cuff: str
    slot: Slot
    since: datetime | None
    until: datetime | None
    strict: bool  # a loan: what is not sure to be of this time is set aside
    person_row: int


_LENT_ON = """(SELECT min(out_at) FROM loan WHERE loan.cuff_id = span.cuff_id AND NOT loan.gone AND out_at > span.since
    AND loan.person_id IS NOT span.person_id AND (loan.person_id IS NOT NULL OR step <> 'waiting'))"""
_UNTIL = f"CASE WHEN strict AND {_LENT_ON} < coalesce(until, 1 << 62) THEN {_LENT_ON} ELSE until END"
HELD = f"""(SELECT id, uid, person_id, cuff_id, slot, since, {_UNTIL} AS until, strict, changed_at FROM span
    WHERE NOT gone)"""
"""Spans that hold or held. A loan is over at the latest when its cuff was taken back, or lent on, at a station that did
not know of it: a cuff is in one place."""


def slot_to_row(slot: Slot) -> int:
    return ABSENT if slot is None else ANY if slot == "any" else slot


def slot_from_row(slot: int) -> Slot:
    return None if slot == ABSENT else "any" if slot == ANY else slot


def add(
    store: Store,
    person: str,
    cuff: str,
    slot: Slot,
    at: datetime,
    *,
    since: datetime | None = None,
    until: datetime | None = None,
    strict: bool = False,
) -> int:
    """Give (cuff, slot) to a person for a time; returns the span's row. Call `intake.assign_cuff` afterwards.

    Raises StoreError when the slot is somebody's already in that time, or the time is empty.
    """
    owner, address = people.need(store, person), cuffs.need(store, cuff)
    if isinstance(slot, int) and not 0 <= slot <= 255:
        raise RefusedByStore(f"slot {slot}: a cuff's slots are 0 to 255")
    if since is not None and until is not None and since >= until:
        raise RefusedByStore("the time from–until is empty")
    with store.transaction():
        _refuse_anothers(store, cuff, address, slot, owner.row, since, until, strict=strict)
        bounds = [None if bound is None else meant_us(bound) for bound in (since, until)]
        row = store.query(
            """INSERT INTO span (uid, person_id, cuff_id, slot, since, until, strict, changed_at) VALUES
                (?, ?, ?, ?, ?, ?, ?, ?)""",
            (new_uid(), owner.row, cuffs.row_of(store, address), slot_to_row(slot), *bounds, int(strict),
             to_us(at)),
        ).lastrowid  # fmt: skip
        assert row is not None
        detail = {"person": owner.name, "cuff": address, "slot": _words(slot), **_bounds(since, until)}
        audit.record(store, at, "slot given", detail, owner.row)
        return row


def _refuse_anothers(
    store: Store,
    cuff: str,
    address: str,
    slot: Slot,
    person: int,
    since: datetime | None,
    until: datetime | None,
    *,
    strict: bool,
    but: int | None = None,
) -> None:
    """Raises StoreError where the slot is somebody's in that time. cuff: as it was named. but: the span in question."""
    for other in every(store, cuff=address):
        if other.row == but or not _overlap(other, since, until):
            continue
        if other.strict and other.slot == ANY_SLOT and other.person_row != person:
            remedy = _EARLIER if strict and other.until is not None else _BESIDE
            raise RefusedByStore(f"{cuff} is lent to {other.person} {_times(other)}; {remedy}")
        if other.slot == slot or (strict and slot == ANY_SLOT and other.person_row != person):
            remedy = "end that first" if other.until is None else _EARLIER if strict else _BESIDE
            raise RefusedByStore(f"slot {_words(other.slot)} of {cuff} is {other.person}'s {_times(other)}; {remedy}")


_BESIDE = "give the time before or after that (--since, --until)"
_EARLIER = "if it ended earlier, say so first (`quietcuff person end … --at TIME`)"


def end(store: Store, row: int, until: datetime, at: datetime) -> None:
    """The slot is the person's no longer from `until` on. Raises StoreError when the span began later."""
    with store.transaction():
        span = get(store, row)
        if span.since is not None and until <= span.since:
            raise RefusedByStore("a span cannot end before it began; take it back instead")
        store.query(f"UPDATE span SET until = ?, {LATER} WHERE id = ?", (meant_us(until), to_us(at), row))
        detail = {"person": span.person, "cuff": span.cuff, "slot": _words(span.slot), "until": until.isoformat()}
        audit.record(store, at, "slot ended", detail, span.person_row)


def set_beginning(store: Store, row: int, since: datetime, at: datetime) -> None:
    """A span that was begun under a wrong clock. Raises StoreError where the slot was somebody else's then."""
    with store.transaction():
        span = get(store, row)
        _refuse_anothers(
            store, span.cuff, span.cuff, span.slot, span.person_row, since, span.until, strict=span.strict, but=row
        )
        store.query(f"UPDATE span SET since = ?, {LATER} WHERE id = ?", (meant_us(since), to_us(at), row))


def remove(store: Store, row: int, at: datetime) -> None:
    """It never was the person's: a mistake taken back."""
    with store.transaction():
        span = get(store, row)
        store.query(f"UPDATE span SET gone = 1, {LATER} WHERE id = ?", (to_us(at), row))
        detail = {"person": span.person, "cuff": span.cuff, "slot": _words(span.slot)}
        audit.record(store, at, "slot taken back", detail, span.person_row)


def keep_ends(store: Store, person: int, of: int | None = None) -> None:
    """A loan that is over because the cuff was lent on to this person (a row) stays so when their loans go, or become
    those of whom it was lent to (of: another row; None: of all)."""
    held = f"(SELECT until FROM {HELD} AS held WHERE held.id = span.id)"
    store.query(
        f"""UPDATE span SET until = {held}, changed_at = changed_at + 1 WHERE strict AND NOT gone AND person_id <> ?1
            AND (?2 IS NULL OR person_id = ?2) AND cuff_id IN (SELECT cuff_id FROM loan WHERE person_id = ?1)
            AND until IS NOT {held}""",
        (person, of),
    )


def get(store: Store, row: int) -> Span:
    """Raises StoreError for none."""
    if found := every(store, row=row):
        return found[0]
    raise RefusedByStore(f"no span {row} in this store")


def every(store: Store, *, cuff: str | None = None, person: int | None = None, row: int | None = None) -> list[Span]:
    """Spans that hold or held, oldest first, of one cuff (address) or person (row) or all. row: that one alone."""
    rows = store.query(
        f"""SELECT span.id, {CALLED}, address, slot, since, until, strict, person_id FROM {HELD} AS span
            JOIN person ON person.id = person_id JOIN cuff ON cuff.id = cuff_id
            WHERE (?1 IS NULL OR address = ?1) AND (?2 IS NULL OR person_id = ?2) AND (?3 IS NULL OR span.id = ?3)
            ORDER BY since, span.id""",
        (cuff, person, row),
    )
    return [
        Span(
            row=row,
            person=name,
            cuff=address,
            slot=slot_from_row(slot),
            since=None if since is None else from_us(since),
            until=None if until is None else from_us(until),
            strict=bool(strict),
            person_row=owner,
        )
        for row, name, address, slot, since, until, strict, owner in rows
    ]


def bounds_of_cuff(store: Store, cuff_id: int) -> list[tuple[int, int, int | None, int | None, bool]]:
    """(person's row, slot as its row says, since, until, strict) of each span of a cuff; microseconds UTC."""
    rows = store.query(
        f"SELECT person_id, slot, since, until, strict FROM {HELD} WHERE cuff_id = ? ORDER BY uid", (cuff_id,)
    )
    return [(person, slot, since, until, bool(strict)) for person, slot, since, until, strict in rows]


def _overlap(other: Span, since: datetime | None, until: datetime | None) -> bool:
    return (other.until is None or since is None or since < other.until) and (
        until is None or other.since is None or other.since < until
    )


def _words(slot: Slot) -> str:
    return "without number" if slot is None else str(slot)


def _times(span: Span) -> str:
    bounds = _bounds(span.since, span.until)
    return " ".join(f"{word} {when}" for word, when in bounds.items() if when) or "from the beginning"


def _bounds(since: datetime | None, until: datetime | None) -> dict[str, str | None]:
    return {
        "from": None if since is None else since.isoformat(timespec="minutes"),
        "until": None if until is None else until.isoformat(timespec="minutes"),
    }

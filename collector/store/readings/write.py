"""Writing what intake derives: readings and the outcomes of payloads. The journal is only read here.

What stands there is fetched as values, what is derived anew is compared with it, and only the difference is written: a
rebuild that finds everything as it was writes nothing, and a receiver hears of nothing that did not change.
"""

from collections.abc import Iterable, Mapping, Sequence
from decimal import Decimal
from itertools import chain
from typing import Any, NamedTuple

from collector.store.database import LAST_ROW, Store, chunks, places_of
from collector.store.instants import to_us
from collector.store.readings.times import Time
from collector.store.values import Basis, Reading


class Row(NamedTuple):
    """A row of the table `reading`: a tuple, because thousands are compared and handed to SQLite as they are.

    Pressures as decimal text in `unit`; instants in microseconds UTC; lists of words joined by ';'. zone: its name.
    Then comes what a payload tells, in the order of intake's `Content`; what is decided when all are read stands last.
    """

    zone: str
    slot: int | None
    systolic: str | None
    diastolic: str | None
    mean: str | None
    unit: str
    pulse: str | None
    status: str
    status_raw: int | None
    stamp: str | None
    note: str | None
    id: int
    reading_id: str
    cuff_id: int
    received_at: int
    assessed: str | None
    stamp_us: int | None
    clock: str | None
    content: str
    content_marks: str
    sightings: int
    payload_id: int
    visit_id: int | None
    taken_at: int
    basis: str = Basis.ARRIVAL
    uncertainty_s: float | None = None
    time_marks: str = ""
    person_id: int | None = None
    owner_mark: str | None = None

    @property
    def time(self) -> Time:
        """As it stands, without what is remarked on it."""
        return Time(self.taken_at, self.basis, self.uncertainty_s, ())

    def decided(self, time: Time, person: int | None, mark: str | None) -> "Row":
        """When it was taken and whose it is, or why that cannot be told. A third of the time of `_replace`."""
        at, basis, uncertainty, marks = time
        return Row._make((*self[:_DECIDED], at, basis, uncertainty, ";".join(marks), person, mark))


_DECIDED = Row._fields.index("taken_at")


class Result(NamedTuple):
    """A row of the table `outcome`: what became of a payload. reading: its row."""

    payload: int
    kind: str  # as it is in the store: what is no OutcomeKind stops nothing
    reading: int | None
    reason: str | None


_AS_TOLD = tuple(set(Row._fields) & set(Reading.__slots__) - {"taken_at", "received_at", "assessed"})
"""The columns that say what a reading says by the same name; instants and what was assessed are kept otherwise."""


def as_row(
    reading: Reading,
    *,
    number: int,
    cuff_id: int,
    payload_id: int,
    zone: str,
    visit_id: int | None = None,
    person_id: int | None = None,
    origin: str | None = None,
) -> Row:
    """A reading as another station tells of it, times and all. number: its row. origin: in place of a cuff's clock."""
    return Row(
        id=number,
        cuff_id=cuff_id,
        person_id=person_id,
        taken_at=to_us(reading.taken_at),
        basis=reading.taken_basis,
        uncertainty_s=reading.taken_uncertainty_s,
        received_at=to_us(reading.received_at),
        assessed=stored(reading.assessed) if reading.features_known else None,
        stamp_us=None,
        clock=origin,
        content=origin or "",
        content_marks=stored(reading.marks),
        time_marks="",
        owner_mark=None,
        payload_id=payload_id,
        visit_id=visit_id,
        zone=zone,
        **{name: stored(getattr(reading, name)) for name in _AS_TOLD},
    )


def stored(value: Any) -> Any:
    """As a column keeps it: decimals as text, lists of words joined."""
    return str(value) if isinstance(value, Decimal) else ";".join(value) if isinstance(value, tuple) else value


_COLUMNS = Row._fields[1:]
_SELECT = f"SELECT zone.name, {', '.join(f'reading.{name}' for name in _COLUMNS)} FROM reading JOIN zone ON zone.id = "


def rows_of_cuff(store: Store, cuff_id: int) -> dict[str, Row]:
    """All readings of a cuff by their ids. What is derived anew takes the place of a text that cannot be read."""
    return _rows(store, "reading.cuff_id = ?", (cuff_id,))


def rows_like(store: Store, cuff_id: int, stamp: str | None, ids: Sequence[str]) -> dict[str, Row]:
    """The readings with these ids, and the cuff's with this stamp."""
    places = ", ".join("?" * len(ids))
    found = _rows(store, f"reading_id IN ({places})", ids)
    return found if stamp is None else found | _rows(store, "reading.cuff_id = ? AND stamp = ?", (cuff_id, stamp))


def _rows(store: Store, where: str, values: Sequence[Any]) -> dict[str, Row]:
    rows = store.whatever(f"{_SELECT} zone_id WHERE {where} ORDER BY reading.id", values)
    return {row.reading_id: row for row in map(Row._make, rows)}


def next_row(store: Store) -> int:
    """The number of the next new reading. Call inside the transaction that writes it."""
    return int(store.scalar("SELECT coalesce(max(id), 0) + 1 FROM reading"))


def row_of(store: Store, reading_id: str) -> int | None:
    found: int | None = store.scalar("SELECT id FROM reading WHERE reading_id = ?", (reading_id,))
    return found


def id_of(store: Store, row: int) -> str | None:
    found: str | None = store.scalar("SELECT reading_id FROM reading WHERE id = ?", (row,))
    return found


def ids_of_cuff(store: Store, cuff_id: int) -> list[str]:
    rows = store.query("SELECT reading_id FROM reading WHERE cuff_id = ? ORDER BY id", (cuff_id,))
    return [reading_id for (reading_id,) in rows]


def count(store: Store) -> int:
    return int(store.scalar("SELECT count(*) FROM reading"))


def elsewhere(store: Store, cuff_id: int, ids: Sequence[str]) -> dict[str, int]:
    """Rows of those of these readings that are another cuff's: a strange export may say so."""
    found: dict[str, int] = {}
    for some in chunks(ids, 5000):
        places = ", ".join("?" * len(some))
        query = f"SELECT reading_id, id FROM reading WHERE reading_id IN ({places}) AND cuff_id <> ?"
        found.update(store.query(query, (*some, cuff_id)).fetchall())
    return found


def drop_unreadable(store: Store) -> None:
    """Readings that refer to what is not there, or whose time is none, go before all are derived anew, as if they had
    never been: what else is no value is written over. Call inside a transaction."""
    words = ", ".join(f"'{basis}'" for basis in Basis)
    broken = store.query(
        f"""SELECT id FROM reading WHERE typeof(taken_at) <> 'integer' OR basis IS NULL OR basis NOT IN ({words})
            OR cuff_id IS NULL OR cuff_id NOT IN (SELECT id FROM cuff)
            OR zone_id IS NULL OR zone_id NOT IN (SELECT id FROM zone) OR id > {LAST_ROW}"""
    ).fetchall()
    store.many("DELETE FROM outcome WHERE reading = ?", broken)
    store.many("DELETE FROM reading WHERE id = ?", broken)
    store.query("DELETE FROM outcome WHERE payload_id NOT IN (SELECT id FROM payload)")


def results_of_cuff(store: Store, cuff_id: int) -> dict[int, Result]:
    """The outcomes of a cuff's payloads, by the payload's row."""
    query = """SELECT payload_id, kind, reading, reason FROM payload JOIN outcome ON payload_id = payload.id
        WHERE cuff_id = ?"""
    return {row[0]: Result._make(row) for row in store.whatever(query, (cuff_id,))}


def result_of(store: Store, payload: int) -> Result | None:
    row = store.row("SELECT payload_id, kind, reading, reason FROM outcome WHERE payload_id = ?", (payload,))
    return None if row is None else Result._make(row)


def write(
    store: Store,
    rows: tuple[Mapping[str, Row], Mapping[str, Row]],
    results: tuple[Mapping[int, Result], Mapping[int, Result]],
) -> list[tuple[Row, Row]]:
    """Readings and outcomes, each as they stand and as they are to be: the difference is written. What is to be there
    no longer goes. Call inside a transaction. Returns the readings that changed, as they were and as they are."""
    (rows_before, rows_after), (before, after) = rows, results
    gone = [row for reading_id, row in rows_before.items() if reading_id not in rows_after]
    changed = [result for payload, result in after.items() if before.get(payload) != result]
    new = [row for reading_id, row in rows_after.items() if reading_id not in rows_before]
    moved = [(was, row) for one, was in rows_before.items() if (row := rows_after.get(one, was)) != was]
    _insert_readings(store, new)
    _update_readings(store, moved)
    for some in chunks(changed):
        store.query(
            f"""INSERT INTO outcome (payload_id, kind, reading, reason) VALUES {places_of(some)}
            ON CONFLICT (payload_id) DO UPDATE SET kind = excluded.kind, reading = excluded.reading,
            reason = excluded.reason""",
            chain.from_iterable(some),
        )
    for row in gone:
        # Another cuff's payload that rested on it waits to be taken up again.
        store.query("DELETE FROM outcome WHERE reading = ?", (row.id,))
        store.query("DELETE FROM reading WHERE id = ?", (row.id,))
    if lost := [payload for payload in before if payload not in after]:
        store.many("DELETE FROM outcome WHERE payload_id = ?", [(payload,) for payload in lost])
    return moved


def drop_cuff(store: Store, cuff_id: int) -> None:
    """Throw away everything derived from a cuff's payloads."""
    store.query("DELETE FROM outcome WHERE payload_id IN (SELECT id FROM payload WHERE cuff_id = ?)", (cuff_id,))
    store.query("DELETE FROM reading WHERE cuff_id = ?", (cuff_id,))


def assess(store: Store, cuff_id: int, checks: tuple[str, ...]) -> None:
    """What the cuff can assess, for readings from before that was known."""
    store.query(
        "UPDATE reading SET assessed = ? WHERE cuff_id = ? AND assessed IS NULL AND clock IS NOT 'imported'",
        (";".join(checks), cuff_id),
    )


def zone_row(store: Store, name: str) -> int:
    """Call inside a transaction."""
    if name not in store.zone_rows:
        found = store.scalar("SELECT id FROM zone WHERE name = ?", (name,))
        if found is None:
            found = store.query("INSERT INTO zone (name) VALUES (?)", (name,)).lastrowid
        store.zone_rows[name] = int(found)
    return store.zone_rows[name]


def _insert_readings(store: Store, rows: Sequence[Row]) -> None:
    zones = {name: zone_row(store, name) for name in {row.zone for row in rows}}
    head = f"INSERT INTO reading (zone_id, {', '.join(_COLUMNS)}) VALUES "
    for some in chunks(rows):
        store.query(head + places_of(some), chain.from_iterable((zones[row.zone], *row[1:]) for row in some))


def _update_readings(store: Store, pairs: Iterable[tuple[Row, Row]]) -> None:
    """Only the columns that changed are named: the outbox asks which."""
    by_columns: dict[tuple[str, ...], list[tuple[Any, ...]]] = {}
    for was, row in pairs:
        names = tuple(name for name, old, new in zip(Row._fields, was, row, strict=True) if old != new)
        values = (zone_row(store, row.zone) if name == "zone" else getattr(row, name) for name in names)
        by_columns.setdefault(names, []).append((*values, was.id))
    for names, values_of_each in by_columns.items():
        changes = ", ".join(f"{'zone_id' if name == 'zone' else name} = ?" for name in names)
        store.many(f"UPDATE reading SET {changes} WHERE id = ?", values_of_each)

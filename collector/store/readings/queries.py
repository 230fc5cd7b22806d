"""Readings, chosen and handed out."""

from collections.abc import Callable, Iterable, Iterator, Sequence
from datetime import datetime
from decimal import Decimal
from functools import lru_cache
from typing import Any

from collector.store import people
from collector.store.columns import Kind, columns_of, word_of, zone_named
from collector.store.database import Store, chunks
from collector.store.errors import ODD, RefusedByStore, UnreadableError
from collector.store.instants import EARLIEST, LATEST, from_us, to_us
from collector.store.journal import cuffs
from collector.store.namesakes import CALLED
from collector.store.values import UNITS, Basis, Reading, Selection, can_be_sent

_SQL = {
    "cuff": "address",
    "person": CALLED,
    "taken_at": "taken_at || ' ' || zone.name",
    "taken_basis": "basis",
    "taken_uncertainty_s": "uncertainty_s",
    "features_known": "assessed IS NOT NULL",
    "marks": "content_marks || ';' || time_marks || ';' || coalesce(owner_mark, '')",
    # An imported reading has, in its payload of ours, the one it came with (see collector.intake.sources.own_export).
    "payload": "CASE characteristic WHEN 1 THEN json_extract(CAST(value AS TEXT), '$.payload') ELSE hex(value) END",
}
"""Where a column of a reading is not the column of that name."""
_DECLARED = columns_of(Reading)
_AT_ONCE = 500
_COLUMNS = ", ".join(_SQL.get(one.name, one.name) for one in _DECLARED)
_JOINS = (
    "JOIN cuff ON cuff.id = reading.cuff_id JOIN zone ON zone.id = zone_id JOIN payload ON payload.id = "
    "payload_id "
    "LEFT JOIN person ON person.id = person_id"
)


BY_ARRIVAL = "reading JOIN payload ON payload.id = payload_id"
LAST_FIRST = "taken_at DESC, received_at DESC, number DESC, reading_id DESC"
"""Of BY_ARRIVAL: readings whose stamps are equal stand in the order in which they came, in every store."""


def select(store: Store, selection: Selection | None = None) -> Iterator[Reading]:
    """The chosen readings, oldest first, one at a time. `last` keeps the newest N of them.

    Raises StoreError for a person or cuff that is not in the store.
    """
    selection = selection or Selection()
    where, values = _where(store, selection)
    chosen = where
    if selection.last is not None:
        # The small table of ids first: the joins then touch only what is handed out.
        newest = f"SELECT reading.id FROM {BY_ARRIVAL} {where} ORDER BY {LAST_FIRST} LIMIT ?"
        chosen = f"WHERE reading.id IN ({newest})"
        values.append(selection.last)
    query = f"SELECT {_COLUMNS} FROM reading {_JOINS} {chosen} ORDER BY taken_at, received_at, number, reading_id"
    for rows in _by_hundreds(store, query, values):
        yield from _readings(rows)


def _by_hundreds(store: Store, query: str, values: Sequence[Any]) -> Iterator[list[tuple[Any, ...]]]:
    found, handed = store.query(query, values), 0
    try:
        while rows := found.fetchmany(_AT_ONCE):
            yield rows
            handed += len(rows)
    except UnreadableError:
        store.take_any_text()
        found = store.query(f"{query} LIMIT -1 OFFSET {handed}", values)
        while rows := found.fetchmany(_AT_ONCE):
            yield rows


def unreadable(store: Store) -> list[tuple[str, str]]:
    """Readings that are set aside, as something in them cannot be read: (id, what is wrong). Reads all of them."""
    found = []
    for rows in _by_hundreds(store, f"SELECT {_COLUMNS} FROM reading {_JOINS} ORDER BY reading.id", ()):
        if len(list(_readings(rows))) < len(rows):
            found += [(str(row[0]), problem) for row in rows if (problem := _problem(row))]
    return found


def _problem(row: tuple[Any, ...]) -> str | None:
    try:
        _at_once([row])
    except ODD as error:
        return str(error) or type(error).__name__
    return None


def count(store: Store, selection: Selection | None = None) -> int:
    where, values = _where(store, selection or Selection())
    number = int(store.scalar(f"SELECT count(*) FROM reading {where}", values))
    last = selection.last if selection else None
    return number if last is None else min(number, last)


def get(store: Store, reading_id: str) -> Reading:
    """The reading with this id, or whose id begins so. Raises StoreError for none or several."""
    rows = store.query(
        f"SELECT {_COLUMNS} FROM reading {_JOINS} WHERE reading_id >= ?1 AND reading_id < ?1 || 'g' LIMIT 2",
        (reading_id.lower(),),
    ).fetchall()
    if len(rows) != 1 or not reading_id:
        raise RefusedByStore(
            f"{'several readings have ids that begin' if rows else 'no reading has an id that begins'} "
            f"with '{reading_id}'"
        )
    for reading in _readings(rows):
        return reading
    raise RefusedByStore(f"reading {rows[0][0]} cannot be read ({_problem(rows[0])}); `quietcuff check` tells of such")


def those(store: Store, reading_ids: Sequence[str]) -> dict[str, Reading]:
    """The readings with these ids, by id; ids that are not in the store are left out."""
    found: dict[str, Reading] = {}
    for some in chunks(reading_ids, 500):
        marks = ", ".join("?" * len(some))
        rows = store.query(f"SELECT {_COLUMNS} FROM reading {_JOINS} WHERE reading_id IN ({marks})", some).fetchall()
        if rows:
            found |= {reading.reading_id: reading for reading in _readings(rows)}
    return found


def newest_by_slot(store: Store, address: str) -> list[Reading]:
    """Of each slot that a cuff uses the newest reading, by slot; those without a slot first."""
    rows = store.query(
        f"""SELECT {_COLUMNS} FROM reading {_JOINS} WHERE reading.id IN (SELECT id FROM (SELECT reading.id,
        row_number() OVER (PARTITION BY slot ORDER BY {LAST_FIRST}) AS place
        FROM {BY_ARRIVAL} JOIN cuff ON cuff.id = reading.cuff_id WHERE address = ?) WHERE place = 1) ORDER BY slot""",
        (address,),
    ).fetchall()
    return _readings(rows) if rows else []


def unassigned(store: Store) -> int:
    """How many readings belong to nobody."""
    return count(store, Selection(unassigned=True))


def nobodys(store: Store, reading_ids: Iterable[str]) -> int:
    """How many of these are here and belong to nobody."""
    found = 0
    for some in chunks(sorted(reading_ids)):
        places = ", ".join("?" * len(some))
        where = f"WHERE person_id IS NULL AND reading_id IN ({places})"
        found += store.scalar(f"SELECT count(*) FROM reading {where}", some)
    return found


def sightings(store: Store, reading_id: str) -> list[tuple[datetime, str, str, str]]:
    """Every time the reading came: (arrival as the station's clock showed it, source, station, payload in
    hex)."""
    rows = store.query(
        """SELECT arrived_at, source, hex(station.uid), hex(value) FROM outcome JOIN reading ON
            reading.id = outcome.reading JOIN payload ON payload.id = outcome.payload_id JOIN station ON
            station.id = station_id WHERE reading_id = ? ORDER BY arrived_at, payload.id""",
        (reading_id,),
    )
    return [(from_us(at), source, station.lower(), value.lower()) for at, source, station, value in rows]


def retimings(store: Store, reading_id: str) -> list[tuple[datetime, datetime, datetime, Basis, Basis]]:
    """How the reading's time was improved: (when, before, after, basis before, basis after)."""
    rows = store.query(
        "SELECT at, before, after, before_basis, after_basis FROM retimed WHERE reading_id = ? ORDER BY id",
        (reading_id,),
    )
    return [
        (from_us(at), from_us(before), from_us(after), word_of(Basis, basis), word_of(Basis, now))
        for at, before, after, basis, now in rows
    ]


def _where(store: Store, selection: Selection) -> tuple[str, list[Any]]:
    store.bring(selection)
    parts: list[str] = []
    values: list[Any] = []
    if selection.person is not None:
        parts.append("person_id = ?")
        values.append(people.need(store, selection.person).row)
    if selection.unassigned:
        parts.append("person_id IS NULL")
    if selection.cuff is not None:
        parts.append("reading.cuff_id = (SELECT id FROM cuff WHERE address = ?)")
        values.append(cuffs.need(store, selection.cuff))
    if selection.since is not None:
        parts.append("taken_at >= ?")
        values.append(to_us(selection.since))
    if selection.until is not None:
        parts.append("taken_at < ?")
        values.append(to_us(selection.until))
    return ("WHERE " + " AND ".join(parts) if parts else ""), values


def _readings(rows: Sequence[tuple[Any, ...]]) -> list[Reading]:
    """Those that can be read; the others are set aside, see `unreadable`."""
    try:
        return _at_once(rows)
    except ODD:
        return [reading for row in rows if not _problem(row) for reading in _at_once([row])]


def _at_once(rows: Sequence[tuple[Any, ...]]) -> list[Reading]:
    """Column by column, which is much faster than row by row."""
    columns = zip(*rows, strict=True)
    read = [map(read, column) if read else column for read, column in zip(_READ, columns, strict=True)]
    return list(map(Reading, *read))


def _local(at_and_zone: str) -> datetime:
    text, _, zone = at_and_zone.partition(" ")
    at = int(text)
    if not EARLIEST <= at < LATEST:
        raise UnreadableError(f"taken_at ({text[:40]}) lies at the end of the calendar or beyond it")
    return from_us(at).astimezone(zone_named(zone))


@lru_cache(maxsize=4096)
def _decimal(text: str | None) -> Decimal | None:
    number = None if text is None else Decimal(text)
    if number is not None and not can_be_sent(number):
        raise UnreadableError(f"the store holds a number that no cuff can send ({str(text)[:40]})")
    return number


def _reading_id(text: str) -> str:
    if not text.isalnum():
        raise UnreadableError(f"the store holds an id of a reading that is none ({text[:40]!r})")
    return text


@lru_cache(maxsize=4096)
def _words(joined: str | None) -> tuple[str, ...]:
    return tuple(filter(None, joined.split(";"))) if joined else ()


_BY_KIND: dict[Kind, Callable[[Any], Any]] = {
    Kind.DECIMAL: _decimal,
    Kind.WORDS: _words,
    Kind.FLAG: bool,
    Kind.INSTANT: from_us,
}
_BY_NAME: dict[str, Callable[[Any], Any]] = {
    "reading_id": _reading_id,
    "unit": {unit: unit for unit in UNITS}.__getitem__,
    "taken_at": _local,
    "taken_basis": {basis.value: basis for basis in Basis}.__getitem__,
    "payload": str.lower,
}
_READ = tuple(_BY_NAME.get(one.name) or _BY_KIND.get(one.kind) for one in _DECLARED)
"""What makes a reading's value of each column; None: it is stored as it is."""

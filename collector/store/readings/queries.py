"""Readings, chosen and handed out."""

from collections.abc import Iterator, Sequence
from datetime import datetime
from decimal import Decimal
from typing import Any
from zoneinfo import ZoneInfo

from collector.store import people
from collector.store.database import Store
from collector.store.errors import StoreError
from collector.store.instants import from_us, to_us
from collector.store.journal import cuffs
from collector.store.namesakes import CALLED
from collector.store.values import Basis, Reading, Selection

_COLUMNS = (
    f"reading_id, address, slot, {CALLED}, systolic, diastolic, mean, unit, pulse, taken_at, basis, "
    "uncertainty_s, "
    "zone.name, received_at, status, status_raw, assessed, stamp, content_marks, time_marks, owner_mark, "
    "sightings, "
    # An imported reading has, in its payload of ours, the one it came with (see collector.intake.sources.own_export).
    "CASE characteristic WHEN 1 THEN json_extract(CAST(value AS TEXT), '$.payload') ELSE value END, note"
)
_JOINS = (
    "JOIN cuff ON cuff.id = reading.cuff_id JOIN zone ON zone.id = zone_id JOIN payload ON payload.id = "
    "payload_id "
    "LEFT JOIN person ON person.id = person_id"
)


def select(store: Store, selection: Selection | None = None) -> Iterator[Reading]:
    """The chosen readings, oldest first, one at a time. `last` keeps the newest N of them.

    Raises StoreError for a person or cuff that is not in the store.
    """
    for row in rows(store, selection):
        yield _reading(row)


def rows(store: Store, selection: Selection | None = None) -> Iterator[tuple[Any, ...]]:
    """As `select`, but the bare columns: (reading_id, cuff, slot, person, systolic, diastolic, mean, unit, pulse,
    taken_at, basis, uncertainty_s, zone, received_at, status, status_raw, assessed, stamp, content_marks, time_marks,
    owner_mark, sightings, payload, note); instants in microseconds UTC, words joined by ';', payload octets or hex."""
    selection = selection or Selection()
    where, values = _where(store, selection)
    if selection.last is None:
        return store.query(f"SELECT {_COLUMNS} FROM reading {_JOINS} {where} ORDER BY taken_at, reading_id", values)
    # The small table of ids first: the joins then touch only what is handed out.
    chosen = f"SELECT id FROM reading {where} ORDER BY taken_at DESC, reading_id DESC LIMIT ?"
    return store.query(
        f"SELECT {_COLUMNS} FROM reading {_JOINS} WHERE reading.id IN ({chosen}) ORDER BY taken_at, reading_id",
        [*values, selection.last],
    )


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
        raise StoreError(
            f"{'several readings have ids that begin' if rows else 'no reading has an id that begins'} "
            f"with '{reading_id}'",
            "refused",
        )
    return _reading(rows[0])


def those(store: Store, reading_ids: Sequence[str]) -> dict[str, Reading]:
    """The readings with these ids, by id; ids that are not in the store are left out."""
    found: dict[str, Reading] = {}
    for start in range(0, len(reading_ids), 500):
        some = reading_ids[start : start + 500]
        marks = ", ".join("?" * len(some))
        for row in store.query(f"SELECT {_COLUMNS} FROM reading {_JOINS} WHERE reading_id IN ({marks})", some):
            found[row[0]] = _reading(row)
    return found


def newest_by_slot(store: Store, address: str) -> list[Reading]:
    """Of each slot that a cuff uses the newest reading, by slot; those without a slot first."""
    rows = store.query(
        f"""SELECT {_COLUMNS} FROM reading {_JOINS} WHERE reading.id IN (SELECT id FROM (SELECT reading.id,
        row_number() OVER (PARTITION BY slot ORDER BY taken_at DESC, reading.id DESC) AS place
        FROM reading JOIN cuff ON cuff.id = cuff_id WHERE address = ?) WHERE place = 1) ORDER BY slot""",
        (address,),
    )
    return [_reading(row) for row in rows]


def unassigned(store: Store) -> int:
    """How many readings belong to nobody."""
    return count(store, Selection(unassigned=True))


def sightings(store: Store, reading_id: str) -> list[tuple[datetime, str, str, str]]:
    """Every time the reading came: (arrival as the station's clock showed it, source, station, payload in
    hex)."""
    rows = store.query(
        "SELECT arrived_at, source, hex(station.uid), hex(value) FROM outcome JOIN reading ON reading.id = "
        "outcome.reading "
        "JOIN payload ON payload.id = outcome.payload_id JOIN station ON station.id = station_id "
        "WHERE reading_id = ? ORDER BY arrived_at, payload.id",
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
        (from_us(at), from_us(before), from_us(after), Basis(basis), Basis(now))
        for at, before, after, basis, now in rows
    ]


def _where(store: Store, selection: Selection) -> tuple[str, list[Any]]:
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


def _reading(row: tuple[Any, ...]) -> Reading:
    (
        reading_id,
        cuff,
        slot,
        person,
        systolic,
        diastolic,
        mean,
        unit,
        pulse,
        taken_at,
        basis,
        uncertainty,
        zone,
        received_at,
        status,
        status_raw,
        assessed,
        stamp,
        content_marks,
        time_marks,
        owner_mark,
        sightings,
        payload,
        note,
    ) = row
    marks = ";".join(filter(None, (content_marks, time_marks, owner_mark)))
    return Reading(
        reading_id,
        cuff,
        slot,
        person,
        _decimal(systolic),
        _decimal(diastolic),
        _decimal(mean),
        unit,
        _decimal(pulse),
        from_us(taken_at).astimezone(ZoneInfo(zone)),
        Basis(basis),
        uncertainty,
        from_us(received_at),
        _words(status),
        status_raw,
        assessed is not None,
        _words(assessed),
        stamp,
        _words(marks),
        sightings,
        payload if isinstance(payload, str) else payload.hex(),
        note,
    )


def _decimal(text: str | None) -> Decimal | None:
    return None if text is None else Decimal(text)


def _words(joined: str | None) -> tuple[str, ...]:
    return tuple(joined.split(";")) if joined else ()

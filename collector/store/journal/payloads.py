"""The journal: every payload as it came, on disk before anything looks into it."""

import sqlite3
from collections.abc import Iterator, Sequence
from datetime import datetime
from itertools import chain
from typing import Any, NamedTuple

from collector.store.database import Store, chunks, new_uid, places_of
from collector.store.errors import StoreError
from collector.store.instants import optional_us, shown_us, to_us
from collector.store.journal import cuffs
from parsers.uuids import UNPLACED


class Appended(NamedTuple):
    payload: int  # its row
    new: bool  # False: this very frame is in the journal already


def append(
    store: Store,
    *,
    cuff: str,
    characteristic: int,
    value: bytes,
    arrived_at: datetime,
    source: str,
    visit: int | None = None,
    encrypted: bool | None = None,
    mark: str | None = None,
    handle: int | None = None,
    station: int | None = None,
) -> Appended:
    """Commit one payload in a transaction of its own; on disk when this returns.

    handle: where in the cuff the value stands; characteristic: UNPLACED while nobody knows what stands there.
    mark: names the very frame for ever, so that appending it again is idle. arrived_at: this machine's clock,
    taken for unsure while `store.clock_id` says so. station: the row of another one that it came to. Raises
    StoreError when it is not on disk.
    """
    try:
        with store.transaction():
            # One statement: the cuff is nearly always there, and the row number is the order of arrival.
            made = store.query(
                """INSERT INTO payload (uid, station_id, number, cuff_id, visit_id, characteristic, value, arrived_at,
                source, encrypted, mark, clock_id, handle)
                VALUES (?, ?, (SELECT coalesce(max(id), 0) + 1 FROM payload), ?, ?, ?, ?, ?, ?, ?, ?, ?, ?)""",
                (
                    new_uid(),
                    station or store.own_station,
                    cuffs.row_of(store, cuff),
                    visit,
                    characteristic,
                    value,
                    to_us(arrived_at),
                    source,
                    None if encrypted is None else int(encrypted),
                    mark,
                    store.clock_id,
                    handle,
                ),
            )
            assert made.lastrowid is not None
            return Appended(made.lastrowid, new=True)
    except StoreError as error:
        replay = isinstance(error.__cause__, sqlite3.IntegrityError) and mark is not None
        found = _marked(store, mark, station) if replay else None
        if found is None:
            raise
    payload, *known = found
    if known in ([cuff, characteristic, value], [cuff, UNPLACED, value]):
        return Appended(payload, new=False)
    # The mark of another frame: whatever the reason, this one is kept.
    return append(
        store,
        cuff=cuff,
        characteristic=characteristic,
        value=value,
        arrived_at=arrived_at,
        source=source,
        visit=visit,
        encrypted=encrypted,
        station=station,
        handle=handle,
        mark=f"{mark} {cuff} {characteristic:04x} {value.hex()}",
    )


class ImportedPayload(NamedTuple):
    """A payload that no radio brought: of a log or an export. mark: names it for ever, its value included."""

    cuff: str
    characteristic: int
    value: bytes
    arrived_at: datetime
    source: str
    mark: str
    station: int | None = None


def append_all(store: Store, lines: Sequence[ImportedPayload]) -> list[Appended]:
    """As `append`, for many at once. Raises StoreError, and then none of them is there."""
    with store.transaction():
        cuff_rows = {address: cuffs.row_of(store, address) for address in {line.cuff for line in lines}}
        following = int(store.scalar("SELECT coalesce(max(id), 0) + 1 FROM payload"))
        known: dict[tuple[int, str], int] = {}
        own = store.own_station
        for station in {line.station or own for line in lines}:
            for some in chunks(lines, 500):
                places = ", ".join("?" * len(some))
                query = f"SELECT mark, id FROM payload WHERE station_id = ? AND mark IN ({places})"
                rows_of_marks = store.query(query, [station, *(line.mark for line in some)])
                known |= {(station, mark): row for mark, row in rows_of_marks}
        made: list[Appended] = []
        rows: list[tuple[Any, ...]] = []
        moments = {at: to_us(at) for at in {line.arrived_at for line in lines}}
        for line in lines:
            station = line.station or own
            name = (station, line.mark)
            made.append(Appended(known.get(name, following), new=name not in known))
            if name not in known:
                known[name] = following
                first = (following, new_uid(), station, following, cuff_rows[line.cuff], line.characteristic)
                rows.append((*first, line.value, moments[line.arrived_at], line.source, line.mark, store.clock_id))
                following += 1
        for part in chunks(rows):
            store.query(
                f"""INSERT INTO payload (id, uid, station_id, number, cuff_id, characteristic, value, arrived_at,
                source, mark, clock_id) VALUES {places_of(part)}""",
                chain.from_iterable(part),
            )
        return made


def _marked(store: Store, mark: str | None, station: int | None) -> tuple[int, str, int, bytes] | None:
    row = store.row(
        """SELECT payload.id, address, characteristic, value FROM payload JOIN cuff ON cuff.id = cuff_id
        WHERE station_id = ? AND mark = ?""",
        (station or store.own_station, mark),
    )
    return None if row is None else (row[0], row[1], row[2], row[3])


class Payload(NamedTuple):
    """A payload of the journal. row: its number here. A tuple, as thousands are made: see docs/performance.md."""

    row: int
    uid: bytes
    station: int
    number: int
    cuff_id: int
    cuff: str
    visit: int | None
    characteristic: int
    value: bytes
    arrived_at: int  # as the station's clock showed it
    encrypted: int | None  # 1, 0; None: nobody knows
    clock_id: int | None
    handle: int | None


_PAYLOAD = """SELECT payload.id, payload.uid, station_id, number, cuff_id, address, visit_id, characteristic, value,
    arrived_at, encrypted, clock_id, handle FROM payload JOIN cuff ON cuff.id = cuff_id """


def get(store: Store, payload: int) -> Payload | None:
    row = store.row(_PAYLOAD + "WHERE payload.id = ?", (payload,))
    return None if row is None else Payload._make(row)


def of_cuff(store: Store, cuff_id: int) -> list[Payload]:
    """All payloads of a cuff, in the order of their rows."""
    rows = store.query(_PAYLOAD + "WHERE cuff_id = ? ORDER BY payload.id", (cuff_id,)).fetchall()
    return list(map(Payload._make, rows))


def waiting(store: Store) -> list[int]:
    """Payloads without an outcome, oldest first."""
    return [
        row[0]
        for row in store.query(
            """SELECT payload.id FROM payload LEFT JOIN outcome ON payload_id = payload.id
            WHERE payload_id IS NULL ORDER BY payload.id"""
        )
    ]


def has_unplaced(store: Store, cuff_id: int) -> bool:
    """Whether any value of the cuff came from a handle of which nothing was known."""
    query = f"SELECT 1 FROM payload WHERE cuff_id = ? AND characteristic = {UNPLACED} LIMIT 1"
    return store.row(query, (cuff_id,)) is not None


def came(store: Store, visit: int, value: bytes, since: datetime) -> bool:
    """Whether these very octets arrived in a visit since then."""
    query = "SELECT 1 FROM payload WHERE visit_id = ? AND value = ? AND arrived_at >= ? LIMIT 1"
    return store.row(query, (visit, value, to_us(since))) is not None


def count_of_cuff(store: Store, cuff_id: int) -> int:
    """How many payloads came from a cuff."""
    return int(store.scalar("SELECT count(*) FROM payload WHERE cuff_id = ?", (cuff_id,)))


def count(store: Store) -> int:
    return int(store.scalar("SELECT count(*) FROM payload"))


def newest(store: Store) -> int:
    """Row of the newest payload; 0 while there is none."""
    row: int = store.scalar("SELECT coalesce(max(id), 0) FROM payload")
    return row


def oldest_arrival(store: Store) -> datetime | None:
    """Of what came while this machine's clock was known to be right."""
    found = store.scalar("SELECT min(arrived_at) FROM payload WHERE clock_id IS NULL")
    return None if found is None else shown_us(found)


def newest_arrival(store: Store, anywhere: bool = False, until: datetime | None = None) -> datetime | None:
    """Of what came here while this machine's clock was known to be right; of what an export brought nobody knows by
    whose clock it came.

    anywhere: also of what came at other stations, which says nothing of this machine's clock: nobody here knows theirs.
    until: not of what was dated later.
    """
    query = """SELECT max(arrived_at) FROM payload WHERE clock_id IS NULL AND (?1 OR station_id = ?2 AND
        source <> 'import') AND (?3 IS NULL OR arrived_at <= ?3)"""
    found = store.scalar(query, (anywhere, store.own_station, optional_us(until)))
    return None if found is None else shown_us(found)


def same_kind_before(store: Store, payload: Payload, within_us: int) -> Iterator[Payload]:
    """This payload and those of its kind before it in its visit (or, outside any, of its cuff), last first."""
    where = "visit_id = ?" if payload.visit is not None else "cuff_id = ? AND visit_id IS NULL"
    rows = store.query(
        f"""{_PAYLOAD} WHERE {where} AND station_id = ? AND number <= ?
            AND (characteristic = ? OR characteristic = {UNPLACED} AND handle = ?)
            AND arrived_at BETWEEN ? AND ? ORDER BY number DESC, payload.uid DESC""",
        (
            payload.visit if payload.visit is not None else payload.cuff_id,
            payload.station,
            payload.number,
            payload.characteristic,
            payload.handle,
            payload.arrived_at - within_us,
            payload.arrived_at,
        ),
    )
    return map(Payload._make, rows)


def unstamped_lately(
    store: Store, payload: Payload, content: str, within_us: int
) -> list[tuple[int, bytes, int | None, int, int | None, str]]:
    """(payload's row, uid, visit, arrival, unsure clock, reading's id) of what told of unstamped readings of this
    content in the payload's visit, or so long before it."""
    query = """SELECT payload.id, payload.uid, payload.visit_id, arrived_at, clock_id, reading_id
        FROM payload JOIN outcome ON outcome.payload_id = payload.id JOIN reading ON reading.id = outcome.reading
        WHERE kind = 'reading' AND content = ? AND stamp IS NULL AND """
    in_visit = store.query(query + "payload.visit_id = ?", (content, payload.visit)).fetchall()
    before = store.query(
        query + "payload.cuff_id = ? AND payload.arrived_at BETWEEN ? AND ?",
        (content, payload.cuff_id, payload.arrived_at - within_us, payload.arrived_at),
    ).fetchall()
    return list(dict.fromkeys(in_visit + before))

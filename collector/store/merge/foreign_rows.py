"""Another store's rows into this one: each once, by their uid, whatever the order and however often.

Rows that never change (payloads, visits' facts, audit lines) are added; of rows that people change, the later
version holds. What was erased in either stays erased. Readings are derived again afterwards (`intake.merge`).
"""

from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

from collector.store.database import Store
from collector.store.errors import RefusedByStore, as_store_error
from collector.store.journal import derivation, same_cuff, stations
from collector.store.merge import foreign_check, hand_twins
from collector.store.merge.foreign_people import bring_people
from collector.store.merge.hand_twins import Retold
from collector.store.opening import brought_up, open_as_it_is
from collector.store.people.erase import delete_erased, name_claims_of_the_erased
from collector.store.readings import write
from collector.store.values import Progress
from collector.store.writers import the_file

BATCH = 5_000
"""Payloads a transaction: a listener on the same store waits no longer than one takes."""


@dataclass(frozen=True, slots=True)
class Brought:
    """payloads: how many were new; known: how many were here already; erased: how many stay out; gone: readings that
    were here, of somebody who was erased there.

    of_the_erased: ids of readings that were, in either store, somebody's who is erased in the other.
    """

    payloads: int
    known: int
    erased: int
    of_the_erased: frozenset[str]
    gone: int


def bring_in(store: Store, other: Path, retold: Retold, progress: Progress | None = None) -> Brought:
    """Add all rows of another store; cuffs whose readings may differ now are noted for `intake.catch_up`.

    retold: as `hand_twins` has it. progress: called with (payloads looked at, of). Raises StoreError.
    """
    given, other = other, the_file(other)
    if other.exists() and store.path.samefile(other):
        raise RefusedByStore(f"{other}: this is the store itself")
    with open_as_it_is(other) as found:
        foreign_check.refuse_strange_schema(found, foreign_check.known_schema(store))
    with brought_up(other) as current, store.roomy(), _attached(store, current):
        with open_as_it_is(current) as found:
            foreign_check.refuse_unless_acceptable(found, shown_as=given)
        with store.transaction():
            of_the_erased = _of_the_erased(store)
            _note_readings(store)
            _erase_what_was_erased(store)
            _stations(store)
            _cuffs(store)
            _visits(store)
            _facts(store)
            bring_people(store)
            gone = _gone(store)
            hand_twins.tell_apart(store, retold)
        return _payloads(store, progress, of_the_erased, gone)


@contextmanager
def _attached(store: Store, other: Path) -> Iterator[None]:
    with as_store_error(other):
        # Without a log nobody writes to it; then no file need be made beside it either.
        alone = "" if other.with_name(other.name + "-wal").exists() else "&immutable=1"
        store.query("ATTACH DATABASE ? AS other", (f"{other.absolute().as_uri()}?mode=ro{alone}",))
    try:
        yield
    finally:
        for name in ("our_station", "our_cuff", "our_visit", "our_clock", "told_apart", "rested_on"):
            store.query(f"DROP TABLE IF EXISTS temp.{name}")
        store.query("DETACH DATABASE other")


def _map(store: Store, name: str, select: str) -> None:
    """A table from the other's row numbers to ours."""
    store.query(f"DROP TABLE IF EXISTS temp.{name}")
    store.query(f"CREATE TABLE temp.{name} (theirs INTEGER PRIMARY KEY, ours INTEGER NOT NULL)")
    store.query(f"INSERT INTO temp.{name} {select}")


def _of_the_erased(store: Store) -> frozenset[str]:
    erased = "SELECT uid FROM main.erased UNION SELECT uid FROM other.erased"
    of_them = [
        f"""SELECT reading_id FROM {where}.person JOIN {where}.reading ON person_id = person.id
        WHERE person.uid IN ({erased})"""
        for where in ("main", "other")
    ]
    return frozenset(reading_id for (reading_id,) in store.query(" UNION ".join(of_them)))


def _note_readings(store: Store) -> None:
    """Which payloads each reading here rests on, before any goes."""
    store.query("DROP TABLE IF EXISTS temp.rested_on")
    store.query("CREATE TEMP TABLE rested_on AS SELECT reading, payload_id FROM main.outcome WHERE reading IS NOT NULL")


def _gone(store: Store) -> int:
    """How many of them rest on none any more: what lost a copy, or is another cuff's, is only derived anew."""
    return int(
        store.scalar(
            """SELECT count(*) FROM (SELECT 1 FROM temp.rested_on LEFT JOIN main.payload ON payload.id = payload_id
            GROUP BY reading HAVING count(payload.id) = 0)"""
        )
    )


def _erase_what_was_erased(store: Store) -> None:
    if store.scalar("SELECT 1 FROM other.erased LIMIT 1"):
        store.query("PRAGMA secure_delete=ON")  # what goes for good leaves zeros in the file
    store.query("INSERT OR IGNORE INTO main.erased SELECT uid FROM other.erased")
    name_claims_of_the_erased(store, "main", "other")
    delete_erased(store)


def _stations(store: Store) -> None:
    store.query("INSERT OR IGNORE INTO main.station (uid) SELECT uid FROM other.station ORDER BY uid")
    _map(store, "our_station", "SELECT t.id, o.id FROM other.station t JOIN main.station o ON o.uid = t.uid")
    store.query(
        """INSERT INTO main.station_zone (station_id, since, zone) SELECT ours, since, zone FROM
            other.station_zone JOIN our_station ON theirs = station_id WHERE true ON CONFLICT DO UPDATE
            SET zone = max(zone, excluded.zone)"""
    )
    unsure = store.query("SELECT id FROM main.unsure_clock WHERE correction IS NULL").fetchall()
    store.query(
        """INSERT INTO main.unsure_clock (station_id, boot, base, correction) SELECT ours, boot, base,
            correction FROM other.unsure_clock JOIN our_station ON theirs = station_id WHERE true ON
            CONFLICT DO UPDATE SET correction = max(coalesce(correction, excluded.correction),
            coalesce(excluded.correction, correction)) WHERE excluded.correction IS NOT NULL"""
    )
    _map(
        store,
        "our_clock",
        """SELECT t.id, o.id FROM other.unsure_clock t JOIN our_station s ON s.theirs = t.station_id JOIN
            main.unsure_clock o ON o.station_id = s.ours AND o.boot = t.boot AND o.base = t.base""",
    )
    for (clock,) in unsure:
        if store.scalar("SELECT correction FROM main.unsure_clock WHERE id = ?", (clock,)) is not None:
            stations.note_put_right(store, clock)


def _cuffs(store: Store) -> None:
    """Names, what is forgotten, and earlier addresses travel; bonds and handles belong to the machine that has them."""
    store.query(
        """INSERT OR IGNORE INTO main.cuff (address) SELECT address FROM other.cuff
            WHERE address NOT IN (SELECT address FROM main.cuff_alias) ORDER BY address"""
    )
    _map(
        store,
        "our_cuff",
        """SELECT t.id, o.id FROM other.cuff t JOIN (SELECT id, address FROM main.cuff
            UNION ALL SELECT cuff_id, address FROM main.cuff_alias) o ON o.address = t.address""",
    )
    store.query(
        """UPDATE main.cuff SET passing = 1 WHERE id IN (SELECT ours FROM our_cuff JOIN other.cuff t ON t.id = theirs
            WHERE t.passing)"""
    )
    store.query(
        """INSERT OR IGNORE INTO main.cuff_alias SELECT a.address, ours FROM other.cuff_alias a
            JOIN our_cuff ON theirs = a.cuff_id WHERE a.address NOT IN (SELECT address FROM main.cuff)"""
    )
    # What an export told of a cuff under such an address, which says nothing by which it could be known again.
    told = store.query(
        """SELECT c.id, ours FROM other.cuff_alias a JOIN our_cuff ON theirs = a.cuff_id
            JOIN main.cuff c ON c.address = a.address WHERE NOT c.passing AND c.id <> ours"""
    )
    for cuff_id, known_as in told.fetchall():
        write.drop_cuff(store, cuff_id)
        same_cuff.unite(store, cuff_id, known_as, datetime.now(UTC))
    store.query(
        """UPDATE main.cuff SET name = t.name, name_set_at = t.name_set_at FROM other.cuff t WHERE
            t.address = cuff.address AND (t.name_set_at, coalesce(t.name, '')) > (cuff.name_set_at,
            coalesce(cuff.name, ''))"""
    )
    store.query(
        """UPDATE main.cuff SET forgotten = t.forgotten, forgotten_set_at = t.forgotten_set_at FROM
            other.cuff t WHERE t.address = cuff.address AND (t.forgotten_set_at, t.forgotten) >
            (cuff.forgotten_set_at, cuff.forgotten)"""
    )


def _visits(store: Store) -> None:
    later_end = """(coalesce(excluded.closed_at, 0), coalesce(excluded.outcome, '')) > (coalesce(visit.closed_at, 0),
        coalesce(visit.outcome, ''))"""
    ended_since = store.query(
        f"""SELECT DISTINCT visit.cuff_id FROM other.visit excluded JOIN main.visit ON visit.uid = excluded.uid
            WHERE {later_end}"""
    ).fetchall()
    for (cuff_id,) in ended_since:  # how a visit ended tells something of what came after it
        derivation.note_redo(store, cuff_id)
    store.query(
        f"""INSERT INTO main.visit (uid, station_id, cuff_id, source, opened_at, closed_at, outcome,
            clock_id) SELECT uid, s.ours, c.ours, source, opened_at, closed_at, outcome, k.ours FROM
            other.visit t JOIN our_station s ON s.theirs = t.station_id JOIN our_cuff c ON c.theirs =
            t.cuff_id LEFT JOIN our_clock k ON k.theirs = t.clock_id WHERE true ORDER BY t.id ON CONFLICT
            (uid) DO UPDATE SET closed_at = excluded.closed_at, outcome = excluded.outcome WHERE {later_end}"""
    )
    _map(store, "our_visit", "SELECT t.id, o.id FROM other.visit t JOIN main.visit o ON o.uid = t.uid")


def _facts(store: Store) -> None:
    before = store.scalar("SELECT coalesce(max(id), 0) FROM main.visit_fact")
    store.query(
        """INSERT INTO main.visit_fact (uid, visit_id, cuff_id, kind, characteristic, value, at,
            round_trip_us, error, clock_id) SELECT uid, v.ours, c.ours, kind, characteristic, value, at,
            round_trip_us, error, k.ours FROM other.visit_fact t JOIN our_visit v ON v.theirs = t.visit_id
            JOIN our_cuff c ON c.theirs = t.cuff_id LEFT JOIN our_clock k ON k.theirs = t.clock_id WHERE
            true ORDER BY t.id ON CONFLICT (uid) DO NOTHING"""
    )
    changed = store.query("SELECT DISTINCT cuff_id FROM main.visit_fact WHERE id > ?", (before,)).fetchall()
    for (cuff_id,) in changed:
        derivation.note_redo(store, cuff_id)
        store.query(
            """UPDATE cuff SET advertised = (SELECT CAST(value AS TEXT) FROM main.visit_fact WHERE
                cuff_id = ?1 AND kind = 'name' ORDER BY at DESC, uid DESC LIMIT 1) WHERE id = ?1""",
            (cuff_id,),
        )


def _payloads(store: Store, progress: Progress | None, of_the_erased: frozenset[str], gone: int) -> Brought:
    total = store.scalar("SELECT count(*) FROM other.payload")
    reached = looked = new = 0
    while True:
        with store.transaction():
            until = store.scalar(
                "SELECT max(id) FROM (SELECT id FROM other.payload WHERE id > ? ORDER BY id LIMIT ?)", (reached, BATCH)
            )
            if until is None:
                break
            new += _batch(store, reached, until)
            looked += store.scalar("SELECT count(*) FROM other.payload WHERE id > ? AND id <= ?", (reached, until))
            reached = until
        if progress:
            progress(looked, total)
    erased = store.scalar("SELECT count(*) FROM other.payload WHERE uid IN (SELECT uid FROM main.erased)")
    known = total - new - erased
    return Brought(payloads=new, known=known, erased=erased, of_the_erased=of_the_erased, gone=gone)


def _batch(store: Store, after: int, until: int) -> int:
    before = store.scalar("SELECT coalesce(max(id), 0) FROM main.payload")
    # A mark that stands here under another number is a frame that two copies of one store heard: it stays marked once.
    new = store.query(
        """INSERT INTO main.payload (uid, station_id, number, cuff_id, visit_id, characteristic, value,
            arrived_at, source, encrypted, mark, clock_id, handle) SELECT uid, s.ours, number, c.ours,
            v.ours, characteristic, coalesce((SELECT value FROM temp.told_apart a WHERE a.uid = t.uid), value),
            arrived_at, source, encrypted, CASE WHEN EXISTS (SELECT 1 FROM
            main.payload p WHERE p.station_id = s.ours AND p.mark = t.mark) THEN NULL ELSE mark END,
            k.ours, handle FROM other.payload t JOIN our_station s ON s.theirs = t.station_id JOIN
            our_cuff c ON c.theirs = t.cuff_id LEFT JOIN our_visit v ON v.theirs = t.visit_id LEFT JOIN
            our_clock k ON k.theirs = t.clock_id WHERE t.id > ? AND t.id <= ? AND uid NOT IN (SELECT uid
            FROM main.erased UNION ALL SELECT uid FROM main.thinned) ORDER BY t.id ON CONFLICT (uid) DO NOTHING""",
        (after, until),
    ).rowcount
    changed: list[tuple[Any, ...]] = store.query(
        "SELECT DISTINCT cuff_id FROM main.payload NOT INDEXED WHERE id > ?", (before,)
    ).fetchall()
    for (cuff_id,) in changed:
        derivation.note_redo(store, cuff_id)
    return max(0, new)

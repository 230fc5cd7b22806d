"""The machine that listens: its zone rules over time, and its clock while that is not known to be right."""

from dataclasses import dataclass
from datetime import datetime

from collector.store.database import Store
from collector.store.instants import SECOND, to_us
from collector.store.journal import derivation


def row_of(store: Store, uid: bytes) -> int:
    """Row of a station, made where it is new. Call inside a transaction."""
    store.query("INSERT OR IGNORE INTO station (uid, own) VALUES (?, 0)", (uid,))
    return int(store.scalar("SELECT id FROM station WHERE uid = ?", (uid,)))


def set_zone(store: Store, zone: str, at: datetime, station: int | None = None) -> None:
    """Note the zone rules (IANA name) that hold here, or at another station (its row), from now on; idle when
    they already do."""
    station = station or store.own_station
    if zone_at(store, at, station) != zone:
        with store.transaction():
            store.query("INSERT OR REPLACE INTO station_zone VALUES (?, ?, ?)", (station, to_us(at), zone))


def zone_at(store: Store, at: datetime, station: int) -> str | None:
    """The zone rules that held at a station (its row) then; None where that is not known."""
    zone: str | None = store.scalar(
        "SELECT zone FROM station_zone WHERE station_id = ? AND since <= ? ORDER BY since DESC LIMIT 1",
        (station, to_us(at)),
    )
    return zone


def zones(store: Store) -> dict[int, list[tuple[int, str]]]:
    """Per station, (since in microseconds, IANA name), oldest first."""
    found: dict[int, list[tuple[int, str]]] = {}
    for station, since, zone in store.query("SELECT station_id, since, zone FROM station_zone ORDER BY since"):
        found.setdefault(station, []).append((since, zone))
    return found


def unsure_clock(store: Store, boot: str, wall_minus_boottime_s: float) -> None:
    """From now on this machine's clock may be wrong (no NTP since boot): instants written are marked as such.

    boot: names this boot (/proc/sys/kernel/random/boot_id). wall_minus_boottime_s: time.time() less
    CLOCK_BOOTTIME, which stays the same until the clock is stepped.
    """
    base = round(wall_minus_boottime_s) * SECOND  # whole seconds: the same run of the clock, the same row
    with store.transaction():
        store.query(
            "INSERT INTO unsure_clock (station_id, boot, base) VALUES (?, ?, ?) ON CONFLICT DO NOTHING",
            (store.own_station, boot, base),
        )
        store.clock_id = store.scalar(
            "SELECT id FROM unsure_clock WHERE station_id = ? AND boot = ? AND base = ?",
            (store.own_station, boot, base),
        )


def clock_known(store: Store, boot: str, wall_minus_boottime_s: float) -> int:
    """The clock is right now: what this boot wrote before is put right when it is next derived.

    Returns how many unsure runs of the clock were settled. Call `intake.catch_up` afterwards.
    """
    store.clock_id = None
    true_base = round(wall_minus_boottime_s * SECOND)
    with store.transaction():
        clocks = store.query(
            "SELECT id, base FROM unsure_clock WHERE station_id = ? AND boot = ? AND correction IS NULL",
            (store.own_station, boot),
        ).fetchall()
        for clock, base in clocks:
            store.query("UPDATE unsure_clock SET correction = ? WHERE id = ?", (true_base - base, clock))
            note_put_right(store, clock)
    return len(clocks)


def note_put_right(store: Store, clock: int) -> None:
    """What was dated by this unsure clock is to be derived anew. Call inside a transaction."""
    cuff_ids = store.query(
        "SELECT cuff_id FROM payload WHERE clock_id = ?1 UNION SELECT cuff_id FROM visit_fact WHERE clock_id = ?1",
        (clock,),
    ).fetchall()
    for (cuff_id,) in cuff_ids:
        derivation.note_redo(store, cuff_id)


ARRIVED = "(arrived_at + coalesce((SELECT correction FROM unsure_clock WHERE unsure_clock.id = payload.clock_id), 0))"
"""When a payload came: put right where the clock showed something else then, and that is known."""


def uids(store: Store) -> dict[int, bytes]:
    """What names each station everywhere, by its row."""
    return dict(store.query("SELECT id, uid FROM station").fetchall())


def own_uid(store: Store) -> bytes:
    uid: bytes = store.scalar("SELECT uid FROM station WHERE own")
    return uid


def of_reading(store: Store, reading_id: str) -> bytes | None:
    """The station where a reading was first received; None for no such reading."""
    found: bytes | None = store.scalar(
        """SELECT station.uid FROM reading JOIN payload ON payload.id = payload_id
           JOIN station ON station.id = station_id WHERE reading_id = ?""",
        (reading_id,),
    )
    return found


@dataclass(frozen=True, slots=True)
class UnsureClock:
    """A run of a station's clock that was not known to be right. correction: microseconds to add, None until known.

    first: what the first payload of it showed; before: (what the one before showed, by which unsure clock or None).
    """

    clock: int
    correction: int | None
    first: int | None
    before: tuple[int, int | None] | None


def unsure_clocks(store: Store) -> list[UnsureClock]:
    """In the order in which they were met."""
    found = []
    for clock, station, correction in store.query(
        "SELECT id, station_id, correction FROM unsure_clock ORDER BY id"
    ).fetchall():
        if correction is not None:
            found.append(UnsureClock(clock, correction, None, None))
            continue
        first = store.row("SELECT number, arrived_at FROM payload WHERE clock_id = ? ORDER BY number LIMIT 1", (clock,))
        before = first and store.row(
            """SELECT arrived_at, clock_id FROM payload WHERE station_id = ? AND number < ? AND clock_id IS NOT ?
               ORDER BY number DESC LIMIT 1""",
            (station, first[0], clock),
        )
        found.append(UnsureClock(clock, None, first[1] if first else None, (before[0], before[1]) if before else None))
    return found

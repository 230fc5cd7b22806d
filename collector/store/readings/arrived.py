"""Readings by the order of their arrival, for whoever looks again and again: each has a number that grows."""

from datetime import datetime

from collector.store import readings
from collector.store.database import Store
from collector.store.instants import to_us
from collector.store.values import Reading


def newest(store: Store) -> int:
    """The number of what arrived last; 0 for an empty store."""
    return int(store.scalar("SELECT coalesce(max(id), 0) FROM payload"))


def after(store: Store, number: int) -> list[tuple[int, Reading]]:
    """Readings whose first payload has a higher number, in the order of arrival, with their numbers."""
    rows = store.query(
        "SELECT payload_id, reading_id FROM reading WHERE payload_id > ? ORDER BY payload_id", (number,)
    ).fetchall()
    found = readings.those(store, [reading_id for _, reading_id in rows])
    return [(payload, found[reading_id]) for payload, reading_id in rows if reading_id in found]


def since(store: Store, at: datetime) -> list[Reading]:
    """Readings that arrived first at this instant or later, in that order."""
    rows = store.query(
        "SELECT reading_id FROM reading WHERE received_at >= ? ORDER BY received_at, payload_id", (to_us(at),)
    ).fetchall()
    found = readings.those(store, [reading_id for (reading_id,) in rows])
    return [found[reading_id] for (reading_id,) in rows if reading_id in found]

"""Readings by the order of their arrival, for whoever looks again and again: each has a number that grows."""

from datetime import datetime

from collector.store import readings
from collector.store.database import Store
from collector.store.instants import to_us
from collector.store.values import Reading


class NewReadings:
    """Hands out readings whose first payload came after this was made, each once, as they are now.

    May be asked often: at next to no cost while nothing comes.
    """

    def __init__(self, store: Store) -> None:
        self._store = store
        self._version: tuple[int, int] | None = None
        self._newest = newest(store)
        self._seen: set[str] = set()

    def new(self) -> list[Reading]:
        """What came since the last call, in the order of arrival. Raises StoreError."""
        version = self._store.version()
        if version == self._version:
            return []
        self._version = version
        fresh = [row for row in _rows_after(self._store, self._newest) if row[1] not in self._seen]
        self._seen.update(reading_id for _, reading_id in fresh)
        return [reading for _, reading in _whole(self._store, fresh)]


def newest(store: Store) -> int:
    """The number of what arrived last; 0 for an empty store."""
    return int(store.scalar("SELECT coalesce(max(id), 0) FROM payload"))


def after(store: Store, number: int) -> list[tuple[int, Reading]]:
    """Readings whose first payload has a higher number, in the order of arrival, with their numbers."""
    return _whole(store, _rows_after(store, number))


def since(store: Store, at: datetime) -> list[Reading]:
    """Readings that arrived first at this instant or later, in that order."""
    query = "SELECT payload_id, reading_id FROM reading WHERE received_at >= ? ORDER BY received_at, payload_id"
    return [reading for _, reading in _whole(store, store.query(query, (to_us(at),)).fetchall())]


def _rows_after(store: Store, number: int) -> list[tuple[int, str]]:
    query = "SELECT payload_id, reading_id FROM reading WHERE payload_id > ? ORDER BY payload_id"
    return store.query(query, (number,)).fetchall()


def _whole(store: Store, rows: list[tuple[int, str]]) -> list[tuple[int, Reading]]:
    found = readings.those(store, [reading_id for _, reading_id in rows])
    return [(payload, found[reading_id]) for payload, reading_id in rows if reading_id in found]

"""Readings as they arrive from another process: asked often, at next to no cost while nothing comes."""

from collector.store import readings
from collector.store.database import Store
from collector.store.values import Reading


class NewReadings:
    """Hands out readings whose first payload came after this was made, each once, as they are now."""

    def __init__(self, store: Store) -> None:
        self._store = store
        self._version: tuple[int, int] | None = None
        self._after = int(store.scalar("SELECT coalesce(max(id), 0) FROM payload"))
        self._seen: set[str] = set()

    def new(self) -> list[Reading]:
        """What came since the last call, in the order of arrival. Raises StoreError."""
        version = self._store.version()
        if version == self._version:
            return []
        self._version = version
        ids = [
            reading_id
            for (reading_id,) in self._store.query(
                "SELECT reading_id FROM reading WHERE payload_id > ? ORDER BY payload_id", (self._after,)
            ).fetchall()
        ]
        fresh = [reading_id for reading_id in ids if reading_id not in self._seen]
        self._seen.update(fresh)
        found = readings.those(self._store, fresh)
        return [found[reading_id] for reading_id in fresh if reading_id in found]

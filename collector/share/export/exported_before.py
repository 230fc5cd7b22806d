"""What an earlier export did not have: each format keeps, in the store, what it has handed out.

Uses the store's table of what was fetched (collector.store.outbox.Fetched): a reading that has changed since
counts as new, and one that was only derived again does not.
"""

from collections.abc import Iterable, Iterator
from hashlib import sha256

from collector.store import outbox
from collector.store.database import Store
from collector.store.values import Reading


def digest(reading: Reading) -> bytes:
    """Of everything a receiver is told; how often the reading was seen is no news."""
    shown = (getattr(reading, name) for name in Reading.__slots__ if name != "sightings")
    return sha256("\x1f".join(map(str, shown)).encode("utf-8", "replace")).digest()[:16]


class ExportedBefore:
    """What a format has handed out. `new_among` a choice of readings; `keep` once they are safely written."""

    def __init__(self, store: Store, form: str) -> None:
        self._store = store
        self._fetched = outbox.Fetched(store, f"export {form}")

    def new_among(self, readings: Iterable[Reading]) -> Iterator[Reading]:
        for reading in readings:
            now = digest(reading)
            if self._fetched.had(reading.reading_id) != now:
                self._fetched.note(reading.reading_id, now)
                yield reading

    def keep(self) -> None:
        """From now on these are no longer new."""
        self._fetched.keep()

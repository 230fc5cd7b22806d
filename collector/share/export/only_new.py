"""What an earlier export did not have: each format keeps, in the store, what it has handed out.

Uses the relay's book of what a receiver has (collector.store.outbox), so that a reading that has changed since counts
as new, and one that was only derived again does not.
"""

from collections.abc import Iterable, Iterator

from collector.share.relay.sending import digest
from collector.store import outbox
from collector.store.database import Store
from collector.store.values import Reading


class OnlyNew:
    """The readings that this format has not handed out as they are now. `keep` once they are safely written."""

    def __init__(self, store: Store, form: str) -> None:
        self._store = store
        self._book = outbox.Book(store, f"export {form}")

    def among(self, readings: Iterable[Reading]) -> Iterator[Reading]:
        for reading in readings:
            now = digest(reading)
            if self._book.had(reading.reading_id) != now:
                self._book.note(reading.reading_id, now)
                yield reading

    def keep(self) -> None:
        """From now on these are no longer new."""
        self._book.keep()

"""Whose a reading is: by a claim, else by the span of (cuff, slot) that its time lies in, else nobody's."""

from collector.store.database import Store


def assign(store: Store, *, reading: int | None = None, cuff_id: int | None = None) -> None:
    """Give readings to their owners: one, a cuff's, or all."""

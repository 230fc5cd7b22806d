"""A single reading given to somebody, to nobody, or back to its slot: the decision and what follows from it."""

from datetime import datetime

from collector.intake.owner import assign_reading
from collector.store import readings
from collector.store.database import Store
from collector.store.readings import claims, write


def give(store: Store, reading_id: str, person: str, at: datetime) -> None:
    """It is this person's, whatever its slot says. Raises StoreError."""
    with store.transaction():
        claims.claim(store, reading_id, person, at)
        _follow(store, reading_id)


def make_nobodys(store: Store, reading_id: str, at: datetime) -> None:
    with store.transaction():
        claims.release(store, reading_id, at)
        _follow(store, reading_id)


def leave_to_slot(store: Store, reading_id: str, at: datetime) -> None:
    """Take either back: the slot decides again."""
    with store.transaction():
        claims.withdraw(store, reading_id, at)
        _follow(store, reading_id)


def _follow(store: Store, reading_id: str) -> None:
    row = write.row_of(store, readings.get(store, reading_id).reading_id)
    assert row is not None
    assign_reading(store, row)

"""A single reading given to somebody, to nobody, or back to its slot: the decision and what follows from it.

What stands in the place of another is whose that is, so it is said of what was corrected first.
"""

from datetime import datetime

from collector.intake.owner import assign_reading
from collector.store.database import Store
from collector.store.readings import claims, corrections, write


def give(store: Store, reading_id: str, person: str, at: datetime) -> None:
    """It is this person's, whatever its slot says. Raises StoreError."""
    with store.transaction():
        first = corrections.first(store, reading_id)
        claims.claim(store, first, person, at)
        _follow(store, first)


def make_nobodys(store: Store, reading_id: str, at: datetime) -> None:
    with store.transaction():
        first = corrections.first(store, reading_id)
        claims.release(store, first, at)
        _follow(store, first)


def leave_to_slot(store: Store, reading_id: str, at: datetime) -> None:
    """Take either back: the slot decides again."""
    with store.transaction():
        first = corrections.first(store, reading_id)
        claims.withdraw(store, first, at)
        _follow(store, first)


def _follow(store: Store, reading_id: str) -> None:
    row = write.row_of(store, reading_id)
    assert row is not None
    assign_reading(store, row)

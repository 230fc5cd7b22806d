"""Readings that came over a bond made in place of a lost one: the cuff's own, or that of another with its address.

They are marked from then on until a person confirms the bond. Where only known cuffs are welcome they are not confirmed
either, and count nowhere; nor does what came unencrypted from somebody at a bonded address who had no key.
"""

from datetime import datetime

from collector.store import audit
from collector.store.database import Store
from collector.store.errors import RefusedByStore
from collector.store.journal import cuffs, visits
from collector.store.journal.bond_doubts import BondDoubt, bond_doubts
from collector.store.readings import copies
from collector.store.readings.copies import Stretch
from collector.store.readings.marks import set_marks, words
from collector.store.values import BOND_NOT_CONFIRMED, BOND_RENEWED

_MARKS = {BOND_RENEWED, BOND_NOT_CONFIRMED}


def mark(store: Store, cuff_id: int, reading: int | None = None) -> int:
    """Mark a cuff's readings, or the one, and take the marks from what was confirmed; returns how many changed."""
    doubts = bond_doubts(store, cuff_id)
    if not doubts:
        return 0
    rows = store.query(
        """SELECT reading.id, content_marks, taken_at, station_id, payload.visit_id, arrived_at, encrypted FROM reading
        JOIN payload ON payload.id = payload_id WHERE reading.cuff_id = ?1 AND (?2 IS NULL OR reading.id = ?2)""",
        (cuff_id, reading),
    ).fetchall()
    changed = []
    for row, before, at, station, visit, arrived_at, encrypted in rows:
        doubt = doubts.get(station)
        wanted = _marks(doubt, visit, arrived_at, encrypted) if doubt else set()
        marks = words(before)
        if marks & _MARKS != wanted:
            set_marks(store, row, before, marks - _MARKS | wanted)
            changed.append(at)
    if changed:
        copies.mark(store, Stretch(min(changed), max(changed)))
    return len(changed)


def mark_of_visit(store: Store, visit: int) -> None:
    """After a visit has told of a bond."""
    with store.transaction():
        mark(store, visits.cuff_of(store, visit))


def _marks(doubt: BondDoubt, visit: int | None, arrived_at: int, encrypted: int | None) -> set[str]:
    if visit in doubt.renewed or (doubt.since is not None and arrived_at >= doubt.since):
        return _MARKS if doubt.held else {BOND_RENEWED}
    return {BOND_NOT_CONFIRMED} if visit in doubt.keyless and not encrypted else set()


def confirm(store: Store, wanted: str, at: datetime) -> int:
    """A person says that the new bond is that of the cuff; returns how many readings lose their mark.

    Raises StoreError for no such cuff, and where there is nothing to confirm.
    """
    address = cuffs.need(store, wanted)
    with store.transaction():
        cuff_id = cuffs.row_of(store, address)
        if not any(doubt.renewed or doubt.keyless for doubt in bond_doubts(store, cuff_id).values()):
            raise RefusedByStore(f"{wanted}: no bond was made anew, so there is nothing to confirm")
        visits.learn_confirmed(store, cuff_id, at)
        audit.record(store, at, "bond confirmed", {"cuff": address})
        return mark(store, cuff_id)

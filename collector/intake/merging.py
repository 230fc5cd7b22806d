"""Another station's store into this one: its journal, its people, and readings derived again where they differ."""

from pathlib import Path
from typing import TYPE_CHECKING

from collector.intake.pipeline import catch_up, reassign
from collector.intake.twins import retold
from collector.store import upkeep
from collector.store.database import Store
from collector.store.journal import derivation
from collector.store.readings import copies, corrections, strikes
from collector.store.readings.copies import ALWAYS
from collector.store.values import Progress

if TYPE_CHECKING:
    from collector.store.merge.foreign_rows import Brought


def merge(store: Store, other: Path, progress: Progress | None = None) -> "Brought":
    """Idempotent, and the same store whatever the order. The other store is only read.

    Interrupted, it is done again from the start and finishes the job. progress: counts twice, for taking in and
    for deriving. Raises StoreError.
    """
    from collector.store.merge.foreign_rows import bring_in  # a rule for every column, which nothing else needs

    brought = bring_in(store, other, retold, progress)
    anew = derivation.cuffs_to_redo(store)
    catch_up(store, progress)
    reassign(store, but=anew)  # those have found their owners
    strikes.mark_struck(store)
    corrections.mark(store)
    copies.mark(store, ALWAYS)
    upkeep.checkpoint(store)  # what another station erased is not to linger in the log; a reader may put it off
    return brought

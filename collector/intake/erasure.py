"""Erasing a person: out of the journal, the readings and the file's octets, with the proof."""

from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path

from collector.intake.pipeline import catch_up
from collector.store.database import Store
from collector.store.errors import StoreError
from collector.store.journal import payloads
from collector.store.opening import open_store
from collector.store.people import erase, traces
from collector.store.people.erase_preview import Erasure
from collector.store.readings import copies
from collector.store.readings.copies import ALWAYS


@dataclass(frozen=True, slots=True)
class Erased:
    """What went, and the proof. left: traces that were found in the file; naming: columns in which a name of the
    person still stands, written there about somebody else. Both empty if all is well."""

    erasure: Erasure
    left: tuple[bytes, ...]
    naming: tuple[str, ...]


def erase_person(store: Store, name: str) -> Erased:
    """For good: readings, payloads, notes, sittings, spans, claims, loans, audit lines.

    Backups made before still hold them: see `erase_in_backup`. A cuff that still has the records will send them again:
    clear it. Raises StoreError; where it says so the person is gone from every answer, and the file is still to be
    cleaned: the next start or command does it (`finish_erasing`).
    """
    erase.begin(store, name, datetime.now(UTC))
    try:
        return finish_erasing(store)[-1]
    except StoreError as error:
        text = f"erased, but the file still holds what was deleted ({error}); the next command finishes it"
        raise StoreError(text, error.kind) from error


def finish_erasing(store: Store) -> list[Erased]:
    """Clean and search the file for every erase that is not finished; free where there is none. Raises StoreError."""
    found = []
    for uid, erasure in erase.pending(store):
        catch_up(store)
        copies.mark(store, ALWAYS)
        erase.forget_what_was_fetched(store)
        traces.purge(store)
        left = tuple(traces.search(store.path, erasure.traces))
        found.append(Erased(erasure, left, tuple(traces.naming(store, erasure.names))))
        if not left:
            erase.finish(store, uid)
    return found


def erase_in_backup(store: Store, backup: Path, *, locked: bool = False) -> int:
    """Take out of a backup (or any other copy) whatever was ever erased from this store; returns payloads gone.

    locked: nobody else can have that file open. Made by an older quietcuff, it leaves no copy as it was: they would be
    in that. Raises StoreError.
    """
    if not erase.any_erased(store):
        return 0
    with open_store(backup, create=False, locked=locked, keep_older=False) as copy:
        before = payloads.count(copy)
        erase.erase_as_in(copy, store)
        catch_up(copy)
        copies.mark(copy, ALWAYS)
        erase.forget_what_was_fetched(copy)
        traces.purge(copy)
        return before - payloads.count(copy)

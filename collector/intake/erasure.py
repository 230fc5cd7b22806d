"""Erasing a person: out of the journal, the readings and the file's octets, with the proof."""

from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path

from collector.intake.pipeline import catch_up
from collector.store import audit
from collector.store.database import Store
from collector.store.journal import payloads
from collector.store.opening import open_store
from collector.store.people.erase import (
    delete_erased,
    erase_as_in,
    forget_what_was_fetched,
    name_as_erased,
    purge,
    search,
)


@dataclass(frozen=True, slots=True)
class Erased:
    """What went. searched: how many traces the file was searched for; left: those that were found, none if all is
    well."""

    person: str
    readings: int
    payloads: int
    notes: int
    searched: int
    left: tuple[bytes, ...]


def erase_person(store: Store, name: str) -> Erased:
    """For good: readings, payloads, notes, sittings, spans, claims, loans, audit lines.

    Backups made before still span them: see `erase_in_backup`. A cuff that still has the records will send
    them again: clear it. Raises StoreError; 'locked' while another program keeps the store busy, and then the
    file's pages may still span what is no longer shown: do it again (`purge`) when the store is free.
    """
    with store.transaction():
        going = name_as_erased(store, name)
        delete_erased(store)
        # That somebody was erased, and when, is nobody's secret; who is.
        gone = {"readings": going.readings, "payloads": going.payloads, "notes": going.notes}
        audit.record(store, datetime.now(UTC), "person erased", gone)
    catch_up(store)
    forget_what_was_fetched(store)
    purge(store)
    left = search(store.path, going.traces)
    return Erased(going.person, going.readings, going.payloads, going.notes, len(going.traces), tuple(left))


def erase_in_backup(store: Store, backup: Path) -> int:
    """Take out of a backup (or any other copy) whatever was ever erased from this store; returns payloads gone."""
    with open_store(backup, create=False) as copy:
        before = payloads.count(copy)
        erase_as_in(copy, store)
        catch_up(copy)
        forget_what_was_fetched(copy)
        purge(copy)
        return before - payloads.count(copy)

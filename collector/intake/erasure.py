"""Erasing a person: out of the journal, the readings and the file's octets, with the proof."""

from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path

from collector.intake.pipeline import catch_up
from collector.store.database import Store, open_store
from collector.store.people import audit
from collector.store.people.erase import bury, doom, forget_what_was_fetched, purge, search


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

    Backups made before still hold them: see `erase_in_backup`. A cuff that still has the records will send
    them again: clear it. Raises StoreError; 'locked' while another program keeps the store busy, and then the
    file's pages may still hold what is no longer shown: do it again (`purge`) when the store is free.
    """
    with store.transaction():
        doomed = doom(store, name)
        bury(store)
        # That somebody was erased, and when, is nobody's secret; who is.
        gone = {"readings": doomed.readings, "payloads": doomed.payloads, "notes": doomed.notes}
        audit.record(store, datetime.now(UTC), "person erased", gone)
    catch_up(store)
    forget_what_was_fetched(store)
    purge(store)
    left = search(store.path, doomed.traces)
    return Erased(doomed.person, doomed.readings, doomed.payloads, doomed.notes, len(doomed.traces), tuple(left))


def erase_in_backup(store: Store, backup: Path) -> int:
    """Take out of a backup (or any other copy) whatever was ever erased from this store; returns payloads gone."""
    with open_store(backup, create=False) as copy:
        before = copy.scalar("SELECT count(*) FROM payload")
        with copy.transaction():
            for (uid,) in store.query("SELECT uid FROM erased"):
                copy.query("INSERT OR IGNORE INTO erased VALUES (?)", (uid,))
            bury(copy)
        catch_up(copy)
        forget_what_was_fetched(copy)
        purge(copy)
        return int(before - copy.scalar("SELECT count(*) FROM payload"))

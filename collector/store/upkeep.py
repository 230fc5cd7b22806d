"""Looking after the file: integrity, checkpoint, backup."""

import os
import sqlite3
from collections.abc import Iterator
from contextlib import closing, suppress
from datetime import datetime
from itertools import chain, count
from pathlib import Path

from collector.store import writers
from collector.store.database import NO_OWN, Store
from collector.store.errors import RefusedByStore, StoreError, as_store_error
from collector.store.values import Progress


def integrity(store: Store) -> list[str]:
    """What SQLite finds damaged, and what the store cannot do without; empty when all is well. Reads the whole file."""
    with as_store_error(store.path):
        found = [
            text
            for (row,) in store.query("PRAGMA integrity_check(20)").fetchall()
            for text in str(row).splitlines()
            if text != "ok"
        ]
        if found:
            return found
        found += [
            f"{table} row {row} refers to a {parent} that is not there"
            for table, row, parent, _ in store.query("PRAGMA foreign_key_check").fetchall()
        ]
        if store.scalar("SELECT 1 FROM station WHERE own") is None:
            found.append(NO_OWN)
        return found


def checkpoint(store: Store) -> bool:
    """Move the write-ahead log into the store and empty it; False when a reader was in the way (next time,
    then)."""
    with as_store_error(store.path):
        busy, _, _ = store.query("PRAGMA wal_checkpoint(TRUNCATE)").fetchone()
        return not busy


def refuse_open(path: Path, wait_s: float) -> None:
    """Raises StoreError, 'locked', where any program has the store open still, also one that takes no lock of ours or
    whose lock file somebody removed: what it writes goes where its file goes.

    Source: SQLite documentation, "Write-Ahead Logging", "Use of WAL Without Shared-Memory": needs the file alone.
    """
    uri = f"{path.absolute().as_uri()}?mode=rw"
    with as_store_error(path), closing(sqlite3.connect(uri, uri=True, timeout=wait_s)) as connection:
        connection.execute("PRAGMA locking_mode=EXCLUSIVE")
        try:
            connection.execute("SELECT count(*) FROM sqlite_schema").fetchone()
        except sqlite3.OperationalError as error:
            if error.sqlite_errorcode != sqlite3.SQLITE_BUSY:
                raise
            raise StoreError(f"{path}: {writers.HAS_IT_OPEN}", "locked") from error


def names_in_turn(path: Path, ending: str) -> Iterator[Path]:
    """The path with this ending, then with -2, -3, … before it: for what is dated to the second."""
    return (path.with_name(f"{path.name}{number and f'-{number}'}{ending}") for number in chain([""], count(2)))


def backup_to(store: Store, path: Path, progress: Progress | None = None) -> None:
    """A whole and sound copy while the listener goes on writing (SQLite's online backup). Readable by its
    owner only.

    progress: called with (pages done, pages in all). Raises StoreError; overwrites no file.
    """
    if path.exists():
        raise RefusedByStore(f"{path}: exists already; a backup overwrites nothing")
    part = writers.part_of(path)
    try:
        path.parent.mkdir(mode=0o700, parents=True, exist_ok=True)
        os.close(writers.open_own(part, os.O_TRUNC | os.O_RDWR))
        with as_store_error(part):
            target = sqlite3.connect(part.absolute(), isolation_level=None)
            try:
                store.connection.backup(
                    target,
                    pages=2_000,
                    sleep=0.01,
                    progress=None if progress is None else lambda _, left, total: progress(total - left, total),
                )
                target.execute("PRAGMA journal_mode=DELETE")  # one file, nothing beside it
                (finding,) = target.execute("PRAGMA quick_check(1)").fetchone()
                if finding != "ok":
                    raise StoreError(f"{part}: the copy is not sound ({finding}); is the store damaged?", "damaged")
            finally:
                target.close()
        with part.open("rb") as written:
            os.fsync(written.fileno())
        part.rename(path)
    except OSError as error:
        raise StoreError(f"{path}: the backup cannot be written ({error.strerror})", "other") from error
    finally:
        for suffix in ("", "-journal", "-wal", "-shm"):
            with suppress(OSError):
                part.with_name(part.name + suffix).unlink()


def write_through_log(path: Path) -> None:
    """Make a backup, which is one file by itself, a store again, which is written through a log (the mode stays)."""
    # Absolute, as for some builds of SQLite `file:s.db` is an address.
    with as_store_error(path), closing(sqlite3.connect(path.absolute(), isolation_level=None)) as connection:
        connection.execute("PRAGMA journal_mode=WAL")


def backup_folder(store: Path) -> Path:
    """Where backups of a store stand unless somebody says otherwise."""
    return store.parent / "backups"


def order_file(store: Path) -> Path:
    """Beside a store that was ever backed up: the names of its backups in the order they were made."""
    return store.with_name(store.name + ".backups")


def backup_path(store: Path, at: datetime) -> Path:
    return backup_folder(store) / f"{store.stem}-{at:%Y%m%d-%H%M%S}.db"

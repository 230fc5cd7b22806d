"""The schema of a store: which of its steps a file has taken, and how it takes the rest."""

import os
import sqlite3
from pathlib import Path
from time import monotonic, sleep
from traceback import clear_frames

from collector.store import upkeep
from collector.store.database import Store, new_uid
from collector.store.errors import StoreError

APPLICATION_ID = 0x71637566  # 'qcuf', in the file's header at offset 68
VERSION = len(list(Path(__file__).with_name("migrations").glob("m*.py")))  # the steps, none of them loaded


def version(path: Path, connection: sqlite3.Connection, create: bool) -> int:
    """The schema steps taken; 0 for an empty file. Raises StoreError for what is not ours or too new."""
    (application,) = connection.execute("PRAGMA application_id").fetchone()
    (version,) = connection.execute("PRAGMA user_version").fetchone()
    (tables,) = connection.execute("SELECT count(*) FROM sqlite_schema").fetchone()
    if application != APPLICATION_ID and (tables or not create):
        raise StoreError(f"{path}: this file is not a quietcuff store", "foreign")
    if version > VERSION:
        raise StoreError(
            f"{path}: made by a newer quietcuff (schema {version}, this one knows {VERSION}); update quietcuff", "newer"
        )
    return int(version)


def bring_up(path: Path, connection: sqlite3.Connection, keep_older: bool) -> None:
    """Take the steps that are missing. keep_older: a copy of the file as it was. Raises StoreError."""
    if not os.access(path, os.W_OK):
        raise StoreError(f"{path}: the store cannot be written; check its owner, rights and file system", "read-only")
    keep_a_log(connection)
    if keep_older:
        _back_up_before(path, connection)
    _make_tables(connection)


def keep_a_log(connection: sqlite3.Connection, wait_s: float = 15.0) -> None:
    """Write-ahead, from now on. Where two make one new file so at the very same time, SQLite refuses the one at once,
    whatever its busy timeout."""
    until = monotonic() + wait_s
    while True:
        try:
            connection.execute("PRAGMA journal_mode=WAL")
            return
        except sqlite3.OperationalError as error:
            if error.sqlite_errorcode != sqlite3.SQLITE_BUSY or monotonic() >= until:
                raise
        sleep(0.01)


def in_memory() -> sqlite3.Connection:
    """An empty store of the present schema that never touches a disk."""
    connection = sqlite3.connect(":memory:", isolation_level=None)
    _make_tables(connection)
    return connection


def _make_tables(connection: sqlite3.Connection) -> None:
    """Take the steps that are missing."""
    # sqlite-utils takes longer to import than a light command takes to run; only this needs it.
    from sqlite_utils import Database, Migrations

    from collector.store.migrations import STEPS

    connection.execute("BEGIN IMMEDIATE")  # sqlite-utils' own transactions nest in it; two openers take turns
    try:
        steps = Migrations("quietcuff")
        for name, step in STEPS:
            steps(name=name)(step)
        steps.apply(Database(connection))
        if connection.execute("SELECT 1 FROM station WHERE own").fetchone() is None:
            _found_station(connection)
        connection.execute(f"PRAGMA application_id={APPLICATION_ID}")
        connection.execute(f"PRAGMA user_version={len(STEPS)}")
        connection.execute("COMMIT")
    except BaseException as error:
        if connection.in_transaction:
            connection.execute("ROLLBACK")
        # An interrupt leaves sqlite-utils' blocks half open: they end here, not once the connection is closed.
        clear_frames(error.__traceback__)
        raise


def _back_up_before(path: Path, connection: sqlite3.Connection) -> None:
    """Keep the store as the older quietcuff left it. Raises StoreError: without this copy nothing is changed."""
    (version,) = connection.execute("PRAGMA user_version").fetchone()
    kept = upkeep.backup_folder(path) / f"{path.stem}-before-schema-{version + 1}.db"
    if 0 < version < VERSION and not kept.exists():
        own = kept.with_name(f"{kept.name}.{os.getpid()}")  # two openers do not write into one file
        upkeep.backup_to(Store(path, connection, read_only=False), own)
        own.rename(kept)


def _found_station(connection: sqlite3.Connection) -> None:
    """This machine as the store's own station, and the zone rules that it has now."""
    from tzlocal import get_localzone_name

    station = connection.execute("INSERT INTO station (uid, own) VALUES (?, 1)", (new_uid(),)).lastrowid
    connection.execute("INSERT INTO station_zone VALUES (?, 0, ?)", (station, get_localzone_name() or "UTC"))

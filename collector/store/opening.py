"""Opening the store: one SQLite file, durable at every commit, readable by its owner only.

WAL with synchronous=FULL: a commit is on the disk when it returns, and readers never wait for the listener
(SQLite documentation, "Write-Ahead Logging" and "PRAGMA synchronous").
"""

import os
import shutil
import sqlite3
from collections.abc import Iterator
from contextlib import closing, contextmanager, suppress
from glob import escape
from pathlib import Path
from tempfile import TemporaryDirectory

from collector.store import schema_steps, upkeep, writers
from collector.store.database import Store
from collector.store.errors import StoreError, as_store_error
from collector.store.own_log import has_log, refuse_foreign_log

BUSY_TIMEOUT_MS = 15_000
"""Longer than any writer holds the store, shorter than a cuff waits for its confirmation (30 s)."""
SOON_LOOKED_THROUGH = 16 << 20
"""Octets: years of a household. A question to a clinic's store does not wait for a look at each of its pages."""


def open_store(
    path: Path,
    *,
    create: bool = True,
    read_only: bool = False,
    check: bool = False,
    locked: bool = False,
    keep_older: bool = True,
) -> Store:
    """Open a store, make it where there is none (`create`), and bring its schema up to date.

    check: look through the whole file for damage first (seconds for a million readings). locked: the caller has the
    writers' lock alone. keep_older: a copy of what an older quietcuff left. Raises StoreError in one line: damaged,
    read-only, disk full, locked, not a store, made by a newer version.
    """
    path = writers.the_file(path)
    if not path.exists() and (read_only or not create):
        raise StoreError(f"{path}: there is no store here; `quietcuff listen` makes one", "missing")
    _refuse_emptied(path)
    if read_only:
        small = path.stat().st_size <= SOON_LOOKED_THROUGH
        with open_as_it_is(path, locked=locked, through_all=small) as store:  # it may be of an older quietcuff
            current = store.scalar("PRAGMA user_version") == schema_steps.VERSION
        if not current:
            if not os.access(path, os.W_OK) or not os.access(path.parent, os.W_OK):
                return _open_brought_up(path)
            open_store(path, create=False).close()
        return Store(path, _opened(path, read_only=True, create=False, check=check), read_only=True)
    refuse_foreign_log(path, locked=locked, to_write=True)
    if not path.exists():
        _make_folder(path)
    lock = None if locked else writers.share(path)
    try:
        if not path.exists():
            _make_file(path)
        _one_name(path)
        opened = _opened(path, read_only=False, create=create, check=check, keep_older=keep_older)
        return Store(path, opened, read_only=False, lock=lock)
    except BaseException:
        writers.release(lock)
        raise


def remove_if_empty(path: Path) -> None:
    """Take a store away into which nothing ever came; not one that somebody has open for writing."""
    path = writers.the_file(path)
    with suppress(StoreError, OSError), writers.alone(path):
        with open_store(path, read_only=True) as store:
            if any(store.scalar(f"SELECT 1 FROM {table} LIMIT 1") for table in ("payload", "person", "cuff", "audit")):
                return
        for suffix in ("", "-wal", "-shm"):
            path.with_name(path.name + suffix).unlink(missing_ok=True)


@contextmanager
def brought_up(path: Path) -> Iterator[Path]:
    """The path of a store with the present schema that holds what this one does: itself, or else a private copy.

    Nothing is changed in the store. Raises StoreError.
    """
    path = writers.the_file(path)
    with open_as_it_is(path) as store, TemporaryDirectory(prefix="quietcuff-") as folder:
        if store.scalar("PRAGMA user_version") == schema_steps.VERSION:
            yield path
            return
        copy = Path(folder) / path.name
        with as_store_error(path), closing(sqlite3.connect(copy)) as target:
            store.connection.backup(target)
        _opened(copy, read_only=False, create=False, check=False, keep_older=False).close()
        yield copy


def _open_brought_up(path: Path) -> Store:
    """A store of an older quietcuff that cannot be written: read from a copy that goes as soon as it is open."""
    with brought_up(path) as copy:
        return Store(path, _opened(copy, read_only=True, create=False, check=False), read_only=True)


def _opened(path: Path, *, read_only: bool, create: bool, check: bool, keep_older: bool = True) -> sqlite3.Connection:
    connection = _connect(path, read_only)
    try:
        with as_store_error(path):
            if schema_steps.version(path, connection, create) < schema_steps.VERSION:
                schema_steps.bring_up(path, connection, keep_older)
            if check:
                _look_for_damage(path, connection)
    except BaseException:
        connection.close()
        raise
    return connection


def _one_name(path: Path) -> None:
    """Take away the second name that a restore left when it was ended just before its last step: of one file under two
    names each has a log of its own, and what is written by the one is lost to the other."""
    if path.stat().st_nlink > 1:
        for kept in path.parent.glob(f"{escape(path.stem)}-before-restore-*"):
            if kept.samefile(path) and kept.name != path.name:
                kept.unlink()


def _make_folder(path: Path) -> None:
    try:
        path.parent.mkdir(mode=0o700, parents=True, exist_ok=True)
    except OSError as error:
        raise _not_made(path, error) from error


def _refuse_emptied(path: Path) -> None:
    """A store begins as a file of no octets; one that a fault left so has a log, or was backed up. Begun anew, SQLite
    would throw the log away, and the new store's backups would drop the old one's."""
    empty = path.is_file() and not path.stat().st_size
    if empty and (has_log(path) or upkeep.order_file(path).exists()):
        raise StoreError(
            f"{path}: is empty, but was a store; keep what stands beside it and go back to the last good backup, "
            "or move this file away for a new store",
            "damaged",
        )


def _make_file(path: Path) -> None:
    if has_log(path):  # SQLite would throw it away
        raise StoreError(
            f"{path}: is not there, but its log is, with what was written last; put the store back beside "
            f"{path.name}-wal, or move that away for a new store",
            "missing",
        )
    try:
        # Made before SQLite sees it, so that it never stands there readable; -wal and -shm take after it.
        os.close(os.open(path, os.O_CREAT | os.O_RDWR, 0o600))
    except OSError as error:
        raise _not_made(path, error) from error


def _not_made(path: Path, error: OSError) -> StoreError:
    kind = "full" if error.errno == 28 else "read-only"
    return StoreError(f"{path}: cannot be made ({error.strerror}); choose another --store", kind)


def _connect(path: Path, read_only: bool) -> sqlite3.Connection:
    uri = path.absolute().as_uri()
    with as_store_error(path):
        connection = sqlite3.connect(
            f"{uri}?mode={'ro' if read_only else 'rw'}", uri=True, isolation_level=None, timeout=BUSY_TIMEOUT_MS / 1000
        )
        try:
            connection.execute(f"PRAGMA busy_timeout={BUSY_TIMEOUT_MS}")
            connection.execute("PRAGMA foreign_keys=ON")
            if read_only:
                connection = _readable(path, connection)
            connection.execute("PRAGMA synchronous=FULL")
        except BaseException:
            connection.close()
            raise
        return connection


def _readable(path: Path, connection: sqlite3.Connection) -> sqlite3.Connection:
    """The connection or, on a file system that cannot be written or is full and so has no place for the -shm file,
    another.

    Without a log nobody is writing there. With one, which a power cut left, what was committed last stands in the log:
    both are read from a private copy that goes as soon as it is open.
    """
    try:
        connection.execute("SELECT count(*) FROM sqlite_schema").fetchone()
        return connection
    except sqlite3.OperationalError as error:
        log = path.with_name(f"{path.name}-wal")
        no_room = error.sqlite_errorcode == sqlite3.SQLITE_IOERR_SHMSIZE
        if log.exists() and not no_room and not os.statvfs(path.parent).f_flag & os.ST_RDONLY:
            raise
    connection.close()
    if not has_log(path):
        return sqlite3.connect(f"{path.absolute().as_uri()}?mode=ro&immutable=1", uri=True, isolation_level=None)
    try:
        with TemporaryDirectory(prefix="quietcuff-") as folder:
            copy = Path(folder) / path.name
            for source, target in ((path, copy), (log, copy.with_name(f"{copy.name}-wal"))):
                shutil.copyfile(source, target)
            refuse_foreign_log(copy, locked=True, shown_as=path)
            with closing(sqlite3.connect(copy)) as whole:
                whole.execute("PRAGMA wal_checkpoint(TRUNCATE)")
            return sqlite3.connect(f"{copy.as_uri()}?mode=ro&immutable=1", uri=True, isolation_level=None)
    except OSError as error:
        raise StoreError(f"{path}: cannot be copied to be read ({error.strerror}); free some space", "full") from error


def _look_for_damage(path: Path, connection: sqlite3.Connection) -> None:
    (finding,) = connection.execute("PRAGMA quick_check(1)").fetchone()
    if finding != "ok":
        first = str(finding).splitlines()[-1]
        raise StoreError(
            f"{path}: the store is damaged; keep this file and go back to the last good backup ({first})", "damaged"
        )


@contextmanager
def open_as_it_is(path: Path, *, locked: bool = False, through_all: bool = True) -> Iterator[Store]:
    """Any store's file, to look into: nothing of it is changed, not even its schema.

    locked, through_all: as `refuse_foreign_log`. Raises StoreError where there is none, it is none, or a newer
    quietcuff made it.
    """
    path = writers.the_file(path)
    if not path.exists():
        raise StoreError(f"{path}: there is no such file", "missing")
    _refuse_emptied(path)
    refuse_foreign_log(path, locked=locked, through_all=through_all)
    # Without a log nobody writes to it; then SQLite need not make a file beside it either.
    alone = "" if path.with_name(path.name + "-wal").exists() else "&immutable=1"
    uri = f"{path.absolute().as_uri()}?mode=ro{alone}"
    with as_store_error(path):
        opened = _readable(path, sqlite3.connect(uri, uri=True, isolation_level=None))
        with closing(opened) as connection:
            schema_steps.version(path, connection, create=False)
            yield Store(path, connection, read_only=True)

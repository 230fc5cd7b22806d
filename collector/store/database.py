"""An open store: its connection, its queries, its transactions. `opening` opens one."""

import gc
import os
import sqlite3
from collections.abc import Iterable, Iterator, Sequence
from contextlib import contextmanager, suppress
from pathlib import Path
from typing import Any, Self, TypeVar

from collector.store import writers
from collector.store.errors import SQLITE_ERRORS, StoreError, UnreadableError, as_store_error, store_error
from collector.store.values import Selection

NO_OWN = "no station in it is its own: go back to a backup, or merge it into a new store"


class _Cursor(sqlite3.Cursor):
    """Rows may turn out to be unreadable, or the disk to fail, as late as they are fetched."""

    path: Path

    def __next__(self) -> Any:
        try:
            return super().__next__()
        except SQLITE_ERRORS as error:
            raise self.failed(error) from error

    def fetchone(self) -> Any:
        try:
            return super().fetchone()
        except SQLITE_ERRORS as error:
            raise self.failed(error) from error

    def fetchmany(self, size: int | None = 1) -> list[Any]:
        try:
            return super().fetchmany(size)
        except SQLITE_ERRORS as error:
            raise self.failed(error) from error

    def fetchall(self) -> list[Any]:
        try:
            return super().fetchall()
        except SQLITE_ERRORS as error:
            raise self.failed(error) from error

    def failed(self, error: Exception) -> StoreError:
        """The error holds this cursor by its traceback, and a cursor at work the store's file: it is closed."""
        self.close()
        return store_error(error, self.path)


class Store:
    """An open store. One per thread; several processes may have the same file open."""

    def __init__(self, path: Path, connection: sqlite3.Connection, read_only: bool, lock: int | None = None) -> None:
        self.path = path
        self.connection = connection
        self.read_only = read_only
        self.clock_id: int | None = None
        """The unsure clock of this machine, while it is unsure; rows that carry an instant name it."""
        self._own: int | None = None
        self._lock = lock
        self._file = None if read_only else path.stat()
        self._inside = False
        self.zone_rows: dict[str, int] = {}
        """Rows of zones, as far as the present transaction has asked for them."""

    def query(self, sql: str, values: Iterable[Any] = ()) -> sqlite3.Cursor:
        """Rows as tuples, streaming. Raises StoreError."""
        try:
            found = self.connection.cursor(_Cursor)
        except SQLITE_ERRORS as error:
            raise store_error(error, self.path) from error
        found.path = self.path
        try:
            return found.execute(sql, tuple(values))
        except SQLITE_ERRORS as error:
            raise found.failed(error) from error

    def many(self, sql: str, values: Iterable[Sequence[Any]]) -> None:
        """The same for each of the values. Raises StoreError."""
        with as_store_error(self.path):
            self.connection.executemany(sql, values)

    def take_any_text(self) -> None:
        """From here on octets that are no UTF-8 are shown as what cannot be shown: somebody wrote such a text."""
        self.connection.text_factory = lambda octets: octets.decode("utf-8", "replace")

    def whatever(self, sql: str, values: Sequence[Any] = ()) -> list[tuple[Any, ...]]:
        """All rows, whatever octets stand in them. Raises StoreError."""
        try:
            return self.query(sql, values).fetchall()
        except UnreadableError:
            self.take_any_text()
            return self.query(sql, values).fetchall()

    def row(self, sql: str, values: Iterable[Any] = ()) -> tuple[Any, ...] | None:
        found: tuple[Any, ...] | None = self.query(sql, values).fetchone()
        return found

    def scalar(self, sql: str, values: Iterable[Any] = ()) -> Any:
        found = self.row(sql, values)
        return found[0] if found else None

    def version(self) -> tuple[int, int]:
        """Another one once anything was written, here or by others: a look at a quiet store reads no table.

        Source: SQLite documentation, "PRAGMA data_version", sqlite3_total_changes.
        """
        return int(self.scalar("PRAGMA data_version")), self.connection.total_changes

    @contextmanager
    def transaction(self) -> Iterator[None]:
        """All or nothing, on disk when it ends; one inside another joins it. Raises StoreError."""
        if self._inside:
            yield
            return
        with as_store_error(self.path, (sqlite3.Error,)):  # what the caller reads meanwhile may be no UTF-8 either
            try:  # from here on, as Ctrl-C may come at any instant
                # IMMEDIATE takes the write lock now: a later upgrade could fail without waiting.
                self.connection.execute("BEGIN IMMEDIATE")
                self._inside = True
                self.refuse_moved()
                yield
                self.connection.execute("COMMIT")
            except BaseException:
                with suppress(sqlite3.Error):  # as where Ctrl-C left this block open, and the store is closed since
                    if self.connection.in_transaction:  # some errors (disk full) have already rolled back
                        self.connection.execute("ROLLBACK")
                raise
            finally:
                self._inside = False
                self.zone_rows.clear()

    def refuse_moved(self) -> None:
        """Raises StoreError, 'moved', where another file or none has the store's name by now: what is written here
        would stand where nobody looks for it, or nowhere once the file is closed."""
        if self._file and not writers.stands_at(self.path, self._file):
            raise StoreError(
                f"{self.path}: was moved, taken away or replaced while it was open; put it back, and begin again",
                "moved",
            )

    def wait_at_most(self, seconds: float) -> None:
        """For another's transaction, instead of the usual time; for whoever serves several at once."""
        self.query(f"PRAGMA busy_timeout={round(seconds * 1000)}")

    @contextmanager
    def roomy(self) -> Iterator[None]:
        """More memory (64 MiB) for work over the whole store: its indices are in no order that arrivals follow.

        What SQLite keeps to take a statement back stays in memory as well, so none may change the whole store at once.
        Nor does Python look for garbage meanwhile: among thousands of tuples none go round in a circle, and looking
        for such again and again takes a fifth of the time (Python documentation, "gc"). In a transaction all stays as
        it is: there it could not be given back.
        """
        if self._inside:
            yield
            return
        before = {name: self.scalar(f"PRAGMA {name}") for name in ("cache_size", "temp_store")}
        collecting = gc.isenabled()
        self.query("PRAGMA cache_size=-65536")
        self.query("PRAGMA temp_store=MEMORY")
        gc.disable()
        try:
            yield
        finally:
            if collecting:
                gc.enable()
            with suppress(sqlite3.Error):  # as in `transaction`
                if not self.connection.in_transaction:  # it is where Ctrl-C came before a block had begun
                    for name, value in before.items():
                        self.connection.execute(f"PRAGMA {name}={value}")

    @property
    def own_station(self) -> int:
        """Row of the station that this store belongs to."""
        if self._own is None:
            own = self.scalar("SELECT id FROM station WHERE own")
            if own is None:
                raise StoreError(f"{self.path}: {NO_OWN}", "damaged")
            self._own = int(own)
        return self._own

    def bring(self, selection: Selection) -> None:
        """Called before readings are looked for. Here they are; see `collector.store.elsewhere`."""

    def bring_person(self, row: int) -> None:
        """Called before what is known of a person is looked for."""

    def readings_of(self, person: int) -> int:
        """How many readings are this person's (a row)."""
        return int(self.scalar("SELECT count(*) FROM reading WHERE person_id = ?", (person,)))

    def close(self) -> None:
        self.connection.close()
        writers.release(self._lock)
        self._lock = None

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *_: object) -> None:
        self.close()


Item = TypeVar("Item")


LAST_ROW = 1 << 62
"""No row has a greater number: behind the greatest that SQLite has there would be no next one."""
AT_ONCE = 200
"""Rows in one statement: SQLite keeps a journal of each statement, which costs more than a row."""


def places_of(rows: Sequence[Sequence[Any]]) -> str:
    """(?, ?), (?, ?), … for rows of values."""
    return ", ".join([f"({', '.join('?' * len(rows[0]))})"] * len(rows))


def chunks(items: Sequence[Item], size: int = AT_ONCE) -> Iterator[Sequence[Item]]:
    """For statements that take many rows."""
    for start in range(0, len(items), size):
        yield items[start : start + size]


def new_uid() -> bytes:
    """Names a row for ever, at whatever station."""
    return os.urandom(16)

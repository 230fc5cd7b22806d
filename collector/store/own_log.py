"""Whether the write-ahead log that lies beside a store is its own: SQLite plays in whatever lies there.

A power cut leaves a log; then somebody lays a backup over the store by hand, or of a folder only one of the two files
was copied. Played in, pages of one day or household replace those of another, for good with the next checkpoint.
Nothing in a log says to which file it belongs (SQLite documentation, "How To Corrupt An SQLite Database File", 1.4 and
"The Write-Ahead Log Format"), so this asks what comes of the two.
"""

import fcntl
import os
import sqlite3
from collections.abc import Iterator
from contextlib import ExitStack, closing, contextmanager
from pathlib import Path

from collector.store import writers
from collector.store.errors import StoreError


def has_log(path: Path) -> bool:
    log = _log(path)
    return log.is_file() and log.stat().st_size > 0


def refuse_foreign_log(
    path: Path, *, locked: bool = False, shown_as: Path | None = None, through_all: bool = True, to_write: bool = False
) -> None:
    """Raises StoreError, 'foreign log', before anything is played in. locked: the caller has the writers' lock alone.

    Looks only where nobody writes: who does has looked, and its log is its own. through_all: at every page of the file,
    without which not all such pairs are found; whoever only reads keeps nothing of what is played in. to_write: waits
    for whoever looks just now, and may refuse what it finds.
    """
    if not has_log(path):
        return
    with ExitStack() as held:
        if not locked and (_written_to(path, held, to_write) or not has_log(path)):
            return
        problem, path = _problem(path, through_all), shown_as or path
    if problem:
        raise StoreError(
            f"{path}: the log beside it is not its own or is damaged: {problem}; move {path.name}-wal away, "
            f"but keep it, or put back the {path.name} that it belongs to",
            "foreign log",
        )


def _written_to(path: Path, held: ExitStack, to_write: bool) -> bool:
    """Whether somebody writes there; else nobody begins to as long as it is held."""
    if not held.enter_context(_only_look(path, writers.WAIT_S if to_write else 0)):
        if to_write:
            raise StoreError(
                f"{path}: another program looks into the log beside it; try again when it is done", "locked"
            )
        return True
    for _ in range(2):
        try:
            held.enter_context(writers.alone(path, wait_s=0))
        except StoreError as error:
            if error.kind == "locked":
                if not to_write:
                    return True
                writers.release(writers.share(path))  # waits for whoever has it alone and writes nothing in the end
                continue
            # It cannot be had: whoever is to write is refused for that, whoever reads needs none.
        return False
    return True


@contextmanager
def _only_look(path: Path, wait_s: float) -> Iterator[bool]:
    """Nobody else looks into the log: by the writers' lock alone two that look at once take each other for writers.

    Its lock is on the log itself, of which SQLite asks for none. Says whether it could be had in time.
    """
    try:
        log = os.open(_log(path), os.O_RDONLY | os.O_CLOEXEC | os.O_NOFOLLOW | os.O_NONBLOCK)
    except OSError:  # nor can it be looked into
        yield True
        return
    try:
        yield writers.locked(log, fcntl.LOCK_EX, wait_s) is not False
    finally:
        os.close(log)


def _problem(path: Path, through_all: bool) -> str | None:
    """What is wrong with the file and the log together, where the file without the log is sound."""
    uri = f"{path.absolute().as_uri()}?mode=ro"
    try:
        with closing(sqlite3.connect(uri, uri=True)) as whole:
            fault = _fault(whole) if through_all else None
            with closing(sqlite3.connect(f"{uri}&immutable=1", uri=True)) as alone:
                if fault:
                    return None if _fault(alone) else f"with it the store is damaged ({fault}), without it sound"
                return _missing(alone, whole)  # asked in this order, a writer that is there all the same does no harm
    except sqlite3.OperationalError:  # cannot be opened here: whoever opens it tells why
        return None


def _fault(connection: sqlite3.Connection) -> str | None:
    try:
        (found,) = connection.execute("PRAGMA integrity_check(1)").fetchone()
    except sqlite3.OperationalError:
        raise
    except sqlite3.DatabaseError as error:
        return str(error)
    return None if found == "ok" else str(found).splitlines()[-1]


def _missing(alone: sqlite3.Connection, whole: sqlite3.Connection) -> str | None:
    """A log adds. What it takes away from the journal stands among what was erased or thinned out."""
    try:
        (station,) = alone.execute("SELECT uid FROM station WHERE own").fetchone()
        newest = alone.execute("SELECT uid FROM payload ORDER BY id DESC LIMIT 1").fetchone()
    except (sqlite3.Error, TypeError):  # of another schema, or in the middle of taking the log in: nothing to go by
        return None
    try:
        if whole.execute("SELECT 1 FROM station WHERE own AND uid = ?", (station,)).fetchone() is None:
            return "it is of another store"
        tables = "SELECT name FROM sqlite_schema WHERE name IN ('payload', 'erased', 'thinned')"
        each = [f"SELECT 1 FROM {table} WHERE uid = ?1" for (table,) in whole.execute(tables)]
        kept = " UNION ALL ".join(each)
        if newest and whole.execute(kept, newest).fetchone() is None:
            return "with it the store has not what came last"
    except sqlite3.Error:
        return "it is of another store"
    return None


def _log(path: Path) -> Path:
    return path.with_name(f"{path.name}-wal")

"""What may be left in the file of somebody who was erased: made to go, and looked for."""

import os
import re
from collections.abc import Iterable, Sequence
from pathlib import Path

from collector.store.database import Store
from collector.store.errors import StoreError, as_store_error
from collector.store.namesakes import folded

_CHUNK = 1 << 20
_MANY, _START = 100, 8
"""Of more than so many traces, those that begin alike by so many octets are looked up together."""


def purge(store: Store) -> None:
    """Write the file anew, so that nothing deleted is left in its pages or in the write-ahead log.

    Raises StoreError, 'locked', while another program reads or writes. SQLite documentation: "PRAGMA
    secure_delete", "VACUUM".
    """
    with as_store_error(store.path):
        store.query("PRAGMA secure_delete=ON")
        store.query("VACUUM")
        busy, _, _ = store.query("PRAGMA wal_checkpoint(TRUNCATE)").fetchone()
    if busy:
        raise StoreError(
            f"{store.path}: another program reads the store; its log still holds what was deleted", "locked"
        )


def search(path: Path, traces: Iterable[bytes]) -> list[bytes]:
    """Which of these octets stand anywhere in the store's files. Raises StoreError.

    By a process of its own: whoever closes a file lets go of all locks that the same process has on it, SQLite's too,
    and the next to close the store would delete the log that we write to (SQLite documentation, "How To Corrupt An
    SQLite Database File", 2.2).
    """
    wanted = sorted(set(traces))
    told, tells = os.pipe()
    if not (child := os.fork()):
        code = 1
        try:
            os.close(told)
            with open(tells, "wb") as out:
                out.writelines(b"%d\n" % wanted.index(trace) for trace in _found(path, wanted))
            code = 0
        finally:
            os._exit(code)
    os.close(tells)
    with open(told, "rb") as lines:
        found = sorted(wanted[int(line)] for line in lines)
    if os.waitpid(child, 0)[1]:
        raise StoreError(f"{path}: what was deleted could not be looked for in it", "other")
    return found


def _found(path: Path, wanted: Sequence[bytes]) -> set[bytes]:
    starts: dict[bytes, list[bytes]] = {}
    if len(wanted) > _MANY:  # then each place is looked up, instead of each trace looked for
        for trace in wanted:
            starts.setdefault(trace[:_START], []).append(trace)
    rest = {trace for trace in wanted if len(trace) < _START or not starts}
    reach = max(map(len, wanted), default=1) - 1
    found: set[bytes] = set()
    for file in (path, path.with_name(path.name + "-wal"), path.with_name(path.name + "-journal")):
        if not file.exists():
            continue
        with file.open("rb") as octets:
            tail = b""
            while chunk := octets.read(_CHUNK):
                window = tail + chunk
                found |= {trace for trace in rest - found if trace in window}
                for at in range(len(window) if starts else 0):
                    if begun := starts.get(window[at : at + _START]):
                        found.update(trace for trace in begun if window.startswith(trace, at))
                tail = window[-reach:] if reach else b""
    return found


def naming(store: Store, names: Iterable[str]) -> list[str]:
    """Where any of these names still stands as a word of its own, in whatever table: 'note.text (2)'."""
    if not names:
        return []
    word = re.compile("|".join(rf"(?<!\w){re.escape(folded(name))}(?!\w)" for name in names))
    found = []
    for (table,) in store.query("SELECT name FROM sqlite_schema WHERE type = 'table' AND name <> 'erasing'").fetchall():
        for _, column, kind, *_ in store.query(f'PRAGMA table_info("{table}")').fetchall():
            if kind not in ("TEXT", "BLOB", "") or column.endswith("uid"):  # whose octets are drawn by lot
                continue
            cells = store.query(f'SELECT CAST("{column}" AS BLOB) FROM "{table}" WHERE "{column}" IS NOT NULL')
            count = sum(1 for (cell,) in cells if word.search(folded(_text(cell))))
            if count:
                found.append(f"{table}.{column} ({count})")
    return found


def _text(cell: object) -> str:
    return cell.decode("utf-8", "replace") if isinstance(cell, bytes) else str(cell)

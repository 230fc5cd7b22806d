"""What may be left in the file of somebody who was erased: made to go, and looked for."""

import re
from collections.abc import Iterable
from pathlib import Path

from collector.store.database import Store
from collector.store.errors import StoreError, as_store_error
from collector.store.namesakes import folded

_CHUNK = 1 << 20


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
    """Which of these octets stand anywhere in the store's files."""
    left = set(traces)
    reach = max(map(len, left), default=1) - 1
    found: set[bytes] = set()
    for file in (path, path.with_name(path.name + "-wal"), path.with_name(path.name + "-journal")):
        if not file.exists():
            continue
        with file.open("rb") as octets:
            tail = b""
            while chunk := octets.read(_CHUNK):
                window = tail + chunk
                found |= {trace for trace in left - found if trace in window}
                tail = window[-reach:] if reach else b""
    return sorted(found)


def naming(store: Store, names: Iterable[str]) -> list[str]:
    """Where any of these names still stands as a word of its own, in whatever table: 'note.text (2)'."""
    if not names:
        return []
    word = re.compile("|".join(rf"(?<!\w){re.escape(folded(name))}(?!\w)" for name in names))
    found = []
    for (table,) in store.query("SELECT name FROM sqlite_schema WHERE type = 'table' AND name <> 'erasing'").fetchall():
        for _, column, kind, *_ in store.query(f'PRAGMA table_info("{table}")').fetchall():
            if kind not in ("TEXT", "BLOB", ""):
                continue
            cells = store.query(f'SELECT CAST("{column}" AS BLOB) FROM "{table}" WHERE "{column}" IS NOT NULL')
            count = sum(1 for (cell,) in cells if word.search(folded(_text(cell))))
            if count:
                found.append(f"{table}.{column} ({count})")
    return found


def _text(cell: object) -> str:
    return cell.decode("utf-8", "replace") if isinstance(cell, bytes) else str(cell)

"""A tinkerer's own look into the file, through sqlite-utils; the store should be open for reading only."""

import sqlite3
from collections.abc import Iterator
from typing import Any

from collector.store.database import Store
from collector.store.errors import RefusedByStore


def _database(store: Store) -> Any:
    from sqlite_utils import Database

    return Database(store.connection)


def tables(store: Store) -> list[tuple[str, int, str]]:
    """(table, how many rows, its columns)."""
    found = _database(store)
    return [
        (name, found[name].count, " ".join(column.name for column in found[name].columns))
        for name in sorted(found.table_names())
    ]


def schema(store: Store) -> str:
    """The SQL that makes the tables, indexes and triggers."""
    return str(_database(store).schema)


def query(store: Store, sql: str) -> Iterator[dict[str, Any]]:
    """Rows as column: value. Raises StoreError for what is no query, or would write."""
    try:
        yield from _database(store).query(sql)
    except (sqlite3.Error, ValueError) as error:
        raise RefusedByStore(f"the query: {error}") from None

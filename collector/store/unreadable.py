"""Values that stand in a store and that no quietcuff can have written: somebody's SQL, a bad disk, an older bug.

Found table by table, whatever the tables are, by each column's own rule.
"""

import sqlite3
from collections.abc import Iterator
from contextlib import suppress
from dataclasses import dataclass
from pathlib import Path

from collector.store.column_rules import problems, rules_of
from collector.store.database import Store
from collector.store.errors import ODD, StoreError, UnreadableError
from collector.store.opening import open_as_it_is
from collector.store.upkeep import integrity

DERIVED = frozenset({"reading", "outcome", "zone", "derived"})
"""What `quietcuff rebuild` makes anew."""


@dataclass(frozen=True, slots=True)
class UnreadableValue:
    """row: SQLite's rowid or, in a table that has none, its place by the key."""

    table: str
    row: int
    column: str
    problem: str

    def __str__(self) -> str:
        return f"{self.table} row {self.row}: {self.column} {self.problem}"

    @property
    def remedy(self) -> str:
        if self.table in DERIVED:
            return "`quietcuff rebuild` derives it again"
        return (
            f"stop the service and put a value there by SQL (UPDATE {self.table} SET {self.column} = …), or go back to "
            "a copy from before: `quietcuff backup list`"
        )


def unreadable_values(store: Store) -> Iterator[UnreadableValue]:
    """In the order of the tables. Reads the whole store."""
    tables = "SELECT name FROM sqlite_schema WHERE type = 'table' AND name NOT GLOB 'sqlite_*' ORDER BY name"
    for (table,) in store.query(tables).fetchall():
        if rules := rules_of(store, table):
            for row, column, problem in problems(store, table, rules):
                yield UnreadableValue(table, row, column, problem)


def why(error: Exception, path: Path) -> UnreadableError | None:
    """The value in this store that an error of ours may come from; None where all stand as they should."""
    if not isinstance(error, ODD) or isinstance(error, StoreError | UnicodeError):
        return None
    with suppress(StoreError, sqlite3.Error, OSError), open_as_it_is(path) as store:
        for value in unreadable_values(store):
            return UnreadableError(f"{path}: {value}")
        for problem in integrity(store):
            return UnreadableError(f"{path}: {problem}")
    return None

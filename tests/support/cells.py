"""Any value in any cell of a store: what SQL, a bad disk or an older bug may put there, whatever the column says."""

import re
import shutil
import sqlite3
from collections.abc import Iterator
from contextlib import closing
from pathlib import Path

from collector.store.schema_steps import in_memory

DEEP = "[" * 100_000
VALUES = {
    "nothing": "NULL", "empty": "''", "word": "'many'", "7": "7", "octets": "x'ff00ff'",
    "-1": "-1", "0": "0", "1.5": "1.5",
    "2^63-1": "9223372036854775807", "-2^63": "-9223372036854775808", "infinity": "9e999", "-infinity": "-9e999",
    "NaN": "'NaN'", "Infinity": "'Infinity'", "1e999999999": "'1e999999999'",
    "1e-999999999": "'1e-999999999'", "5000 digits": f"'{'9' * 5000}'",
    "-120": "'-120'", "year 1": "-62135596800000000", "before year 1": "-62135596800000001",
    "year 9999": "253402300799999999", "year 10000": "253402300800000000",
    "offset with seconds": "'2031-03-04T07:30:00+01:00:30'", "stamp of year 1": "'0001-01-01T00:00:00'",
    "stamp of year 9999": "'9999-12-31T23:59:59'", "no UTF-8": "CAST(x'ff' AS TEXT)",
    "lone surrogate": "CAST(x'eda080' AS TEXT)", "NUL": "'a' || char(0) || 'b'", "no JSON": "'[{\"'",
    "deep": f"'{DEEP}'", "nested": f"'{'[' * 400}{']' * 400}'", "1 MB": "hex(zeroblob(524288))",
    "steers": "'a' || char(27) || '[2J' || char(13) || char(10) || 'x' || char(8238) || '=cmd()'",
    "formula": "'=1+1'",
}  # fmt: skip
"""As SQL, by what it is."""
STEERING = "\x1b[2J"
_OURS = ("sqlite_", "_sqlite")


def columns() -> Iterator[tuple[str, str, str]]:
    """Every table and column of the present schema, and the column's kind."""
    with closing(in_memory()) as database:
        tables = "SELECT name FROM sqlite_schema WHERE type = 'table' ORDER BY name"
        for (table,) in database.execute(tables).fetchall():
            if not table.startswith(_OURS):
                yield from (
                    (table, row[1], row[2]) for row in database.execute(f"PRAGMA table_info({table})").fetchall()
                )


def put(store: Path, table: str, column: str, value: str, into: Path) -> bool:
    """A copy of the store with this value in one row, though the column is of another kind, and whatever triggers say.

    False where the table has no row, or its key or a rule of uniqueness cannot be so.
    """
    shutil.copy(store, into)
    into.chmod(0o600)
    with closing(sqlite3.connect(into, isolation_level=None)) as database:
        triggers = database.execute("SELECT name, sql FROM sqlite_schema WHERE type = 'trigger'").fetchall()
        for name, _ in triggers:
            database.execute(f"DROP TRIGGER {name}")
        (declared,) = database.execute("SELECT sql FROM sqlite_schema WHERE name = ?", (table,)).fetchone()
        loose = re.sub(r"\)\s+STRICT,?", ") ", declared).replace("NOT NULL", "")
        _declare(database, table, re.sub(r"\b(INTEGER|TEXT|BLOB|REAL)\b(?! PRIMARY KEY)", "", loose))
    with closing(sqlite3.connect(into, isolation_level=None)) as database:
        key = "rowid"
        if "WITHOUT ROWID" in declared:
            key = ", ".join(row[1] for row in database.execute(f"PRAGMA table_info({table})") if row[5])
        middle = f"SELECT {key} FROM {table} ORDER BY {key} LIMIT 1 OFFSET (SELECT count(*) / 2 FROM {table})"
        try:
            if not database.execute(f"UPDATE {table} SET {column} = {value} WHERE ({key}) = ({middle})").rowcount:
                return False
        except sqlite3.Error:
            return False
        for _, sql in triggers:
            database.execute(sql)
        _declare(database, table, declared)
        database.execute("PRAGMA wal_checkpoint(TRUNCATE)")
    return True


def _declare(database: sqlite3.Connection, table: str, sql: str) -> None:
    (version,) = database.execute("PRAGMA schema_version").fetchone()
    database.execute("PRAGMA writable_schema=ON")
    database.execute("UPDATE sqlite_schema SET sql = ? WHERE type = 'table' AND name = ?", (sql, table))
    database.execute(f"PRAGMA schema_version={version + 1}")
    database.execute("PRAGMA writable_schema=OFF")

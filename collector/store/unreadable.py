"""Values that stand in a store and that no quietcuff can have written: somebody's SQL, a bad disk, an older bug.

Found table by table, whatever the tables are: octets that are no UTF-8, JSON that is none, instants of no year, and
values of another kind than the column's.
"""

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from enum import StrEnum

from collector.store.database import Store
from collector.store.errors import UnreadableError
from collector.store.json_columns import SHAPES, from_json
from collector.store.people.loan_states import State, Step
from collector.store.people.page_devices import Role
from collector.store.values import Basis, OutcomeKind

DERIVED = frozenset({"reading", "outcome", "zone", "derived"})
"""What `quietcuff rebuild` makes anew."""
_WORDS: dict[tuple[str, str], type[StrEnum]] = {
    ("cuff_state", "state"): State, ("loan", "step"): Step, ("outcome", "kind"): OutcomeKind,
    ("page_device", "role"): Role, ("page_invite", "role"): Role, ("reading", "basis"): Basis,
    ("retimed", "before_basis"): Basis, ("retimed", "after_basis"): Basis,
}  # fmt: skip
_INSTANTS = frozenset({
    "after", "arrived_at", "asked_at", "at", "back_at", "base", "before", "began_at", "changed_at", "closed_at",
    "correction", "ends_at", "expires_at", "forgotten_set_at", "latest", "made_at", "name_set_at", "next_at",
    "opened_at", "out_at", "received_at", "seen_at", "since", "started_at", "taken_at", "unsettled_from", "until",
    "used_at", "worked_at",
})  # fmt: skip
_EVER = -(1 << 62)
_CALENDAR = (-62_135_596_800_000_000, 253_402_300_799_999_999)  # microseconds from 1970 to the years 1 and 9999
_KINDS = {"TEXT": "'text'", "BLOB": "'blob'", "INTEGER": "'integer'", "REAL": "'real', 'integer'"}


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
    for table, sql in store.query("SELECT name, sql FROM sqlite_schema WHERE type = 'table' ORDER BY name").fetchall():
        if table.startswith(("sqlite_", "_")):
            continue
        row = "row_number() OVER ()" if "WITHOUT ROWID" in sql else "rowid"
        columns = [(name, kind) for _, name, kind, *_ in store.query(f"PRAGMA table_info({table})").fetchall()]
        for name, kind in columns:
            yield from _by_rule(store, table, row, name, kind)
        yield from _texts(store, table, row, [name for name, kind in columns if kind == "TEXT"])


def _by_rule(store: Store, table: str, row: str, column: str, kind: str) -> Iterator[UnreadableValue]:
    wrong = [(f"typeof({column}) NOT IN ('null', {_KINDS[kind]})", "is of another kind than it should be")]
    if column in _INSTANTS:
        wrong.append(
            (f"{column} NOT BETWEEN {_CALENDAR[0]} AND {_CALENDAR[1]} AND {column} <> {_EVER}", "is of no year")
        )
    if column == "day":
        wrong.append((f"date({column}) IS NOT {column}", "is no day"))
    if words := _WORDS.get((table, column)):
        used = ", ".join(f"'{word}'" for word in words)
        wrong.append((f"{column} NOT IN ({used})", "is not a word that is used there"))
    for where, problem in wrong:
        query = f"SELECT place FROM (SELECT {row} AS place, {column} FROM {table}) WHERE {where}"
        for (place,) in store.query(query):
            yield UnreadableValue(table, place, column, problem)
    if (table, column) in SHAPES:
        for place, text in store.query(f"SELECT {row}, CAST({column} AS BLOB) FROM {table}"):
            try:
                from_json(table, column, text)
            except UnreadableError:
                yield UnreadableValue(table, place, column, "is no JSON, or other than is kept there")


def _texts(store: Store, table: str, row: str, columns: Sequence[str]) -> Iterator[UnreadableValue]:
    if not columns:
        return
    store.connection.text_factory = str  # whatever was forgiven before
    try:
        for _ in store.query(f"SELECT {', '.join(columns)} FROM {table}"):
            pass
    except UnreadableError:
        octets = ", ".join(f"CAST({column} AS BLOB)" for column in columns)
        for place, *values in store.query(f"SELECT {row}, {octets} FROM {table}"):
            for column, value in zip(columns, values, strict=True):
                if not _is_text(value):
                    yield UnreadableValue(table, place, column, "is no UTF-8")


def _is_text(octets: bytes | None) -> bool:
    try:
        return octets is None or octets.decode() is not None
    except UnicodeDecodeError:
        return False

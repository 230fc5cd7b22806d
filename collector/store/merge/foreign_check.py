"""What of another's store may come in: every column that travels, by one rule, before anything is taken.

A file that says it is a store may hold anything. Refused whole, with table, row and reason: nothing of it is taken.
"""

from collections.abc import Iterator
from itertools import islice
from pathlib import Path

from collector.store.column_rules import RULES, problems
from collector.store.database import Store
from collector.store.errors import RefusedByStore, StoreError

SHOWN = 3


def refuse_unless_acceptable(store: Store, shown_as: Path) -> None:
    """Raises StoreError with the first things that are wrong in a store opened as it is, of the present schema."""
    if (finding := store.scalar("PRAGMA quick_check(1)")) != "ok":
        raise StoreError(f"{shown_as}: damaged ({str(finding).splitlines()[-1]}): nothing of it was taken", "damaged")
    found = list(islice(_problems(store), SHOWN))
    if found:
        raise RefusedByStore(f"{shown_as}: {'; '.join(found)}: nothing of it was taken")


def refuse_strange_schema(store: Store, known: frozenset[tuple[str, str]]) -> None:
    """Raises StoreError for views, virtual tables, triggers and whatever else no quietcuff makes."""
    for kind, name, sql in store.query("SELECT type, name, CAST(coalesce(sql, '') AS BLOB) FROM sqlite_schema"):
        ours = (kind, name) in known or name.startswith(("sqlite_autoindex_", "sqlite_stat"))
        if not ours or b"virtual" in sql.lower().split()[:3]:
            raise RefusedByStore(f"{store.path}: holds the {kind} '{name[:40]}', which no quietcuff makes")


def _problems(store: Store) -> Iterator[str]:
    for table, row, parent, _ in store.query("PRAGMA foreign_key_check"):
        yield f"{table} row {row} refers to a {parent} that is not there"
    for table, rules in RULES.items():
        columns = {name for _, name, *_ in store.query(f"PRAGMA table_info({table})")}
        if lacking := sorted(rules.keys() - columns):
            yield f"{table} has no {lacking[0]}"
            continue
        for row, name, problem in problems(store, table, rules):
            yield f"{table} row {row}: {name} {problem}"
    yield from _circles(store)


def _circles(store: Store) -> Iterator[str]:
    """People who are part of each other in a ring of three or more; of two the store knows what to do."""
    part_of = dict(store.query("SELECT uid, part_of FROM person WHERE part_of IS NOT NULL").fetchall())
    for start in part_of:
        at, steps = start, 0
        while at in part_of and steps <= len(part_of):
            at, steps = part_of[at], steps + 1
        if steps > len(part_of) > 2:
            yield "people are part of each other in a circle"
            return


_ONCE = {("trigger", "outbox_renamed")}  # of schemas 4 and 5


def known_schema(store: Store) -> frozenset[tuple[str, str]]:
    """What a store of ours is made of, now or in an older quietcuff."""
    return frozenset(store.query("SELECT type, name FROM sqlite_schema").fetchall()) | _ONCE

"""One rule for each column: what a merge refuses by it, `check` names; and what is derived is derived again."""

from collections.abc import Iterator
from pathlib import Path

import pytest
from cells import columns, put
from richstore import fill

from collector import intake
from collector.store import open_store
from collector.store.column_rules import rule_of
from collector.store.readings import select
from collector.store.unreadable import unreadable_values, why


@pytest.fixture(scope="module")
def rich(tmp_path_factory: pytest.TempPathFactory) -> Path:
    path = tmp_path_factory.mktemp("rich") / "store.db"
    with open_store(path) as store:
        fill(store, days=12)
        intake.catch_up(store)
        store.query("PRAGMA wal_checkpoint(TRUNCATE)").fetchone()
    return path


def test_every_column_of_every_table_has_a_rule() -> None:
    for table, column, _ in columns():
        assert rule_of(table, column)


def test_a_store_in_which_everything_happened_breaks_no_rule(rich: Path) -> None:
    with open_store(rich, read_only=True) as store:
        assert list(unreadable_values(store)) == []


@pytest.mark.parametrize(
    ("table", "column", "value"),
    [
        ("person", "gone", "9223372036854775807"), ("person", "name", "'a' || char(0)"), ("person", "name", "''"),
        ("person", "changed_at", "253402300799999999"), ("person", "name", "NULL"), ("station", "uid", "9e999"),
        ("payload", "characteristic", "-1"), ("reading", "systolic", "'NaN'"), ("reading", "uncertainty_s", "9e999"),
        ("cuff", "address", "'a' || char(27)"), ("zone", "name", "'Mars/Olympus'"), ("visit", "opened_at", "'many'"),
        ("audit", "id", "9223372036854775807"), ("reading", "taken_at", "253402300799999999"),
    ],
)  # fmt: skip
def test_a_value_that_is_none_is_named(rich: Path, table: str, column: str, value: str, tmp_path: Path) -> None:
    assert put(rich, table, column, value, tmp_path / "store.db")
    with open_store(tmp_path / "store.db", read_only=True) as store:
        (found,) = unreadable_values(store)
        assert (found.table, found.column) == (table, column)


@pytest.mark.parametrize("table", ["note", "office_visit"])
def test_a_day_is_one_that_every_door_lets_in(table: str) -> None:
    problem = rule_of(table, "day").problem
    assert [problem(day) for day in (b"1900-01-01", b"2199-12-31")] == [None, None]
    assert all(problem(day) for day in (b"1899-12-31", b"2200-01-01", b"20260309", b"2026-W10-1"))


def derived_cells() -> Iterator[tuple[str, str, str]]:
    for table, column, _ in columns():
        if table in ("reading", "outcome") and column != "id":
            yield from ((table, column, value) for value in ("'many'", "x'ff'", "9e999", "NULL", "-1"))
    yield "reading", "id", "9223372036854775807"


def test_a_rebuild_heals_whatever_stands_in_what_is_derived(rich: Path, tmp_path: Path) -> None:
    with open_store(rich, read_only=True) as store:
        before = list(select(store))
    for table, column, value in derived_cells():
        if not put(rich, table, column, value, tmp_path / "store.db"):
            continue
        with open_store(tmp_path / "store.db") as store:
            intake.rebuild(store)
            assert list(select(store)) == before, (table, column, value)
            assert list(unreadable_values(store)) == [], (table, column, value)
            assert store.scalar("PRAGMA integrity_check") == "ok"
        for leftover in tmp_path.glob("store.db*"):
            leftover.unlink()


def test_an_error_over_what_refers_to_nothing_is_told_by_its_row(rich: Path, tmp_path: Path) -> None:
    assert put(rich, "payload", "cuff_id", "77", tmp_path / "store.db")
    assert "payload row" in str(why(KeyError(1), tmp_path / "store.db"))
    assert why(KeyError(1), rich) is None
    assert why(OSError(1), tmp_path / "store.db") is None

"""Cuffs whose address passes are looked for at the end of every visit: other cuffs' years must not make that longer."""

from collections.abc import Iterator
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest
from fresh import fresh

from collector.store import Store
from collector.store.journal import cuffs, same_cuff, visits

NOON = datetime(2026, 3, 9, 12, 0, tzinfo=UTC)
LASTING, PASSING = "C0:FF:EE:00:00:01", "C0:FF:EE:00:00:02"


@pytest.fixture
def store(tmp_path: Path) -> Iterator[Store]:
    with fresh(tmp_path / "store.db") as made:
        yield made


def told(store: Store, cuff: str, times: int) -> int:
    visit = visits.open_visit(store, cuff, "virtual", NOON)
    for number in range(times):
        for characteristic in (same_cuff.MANUFACTURER, same_cuff.MODEL, same_cuff.SERIAL):
            visits.learn_value(store, visit, characteristic, b"Q%d" % characteristic, NOON + timedelta(days=number))
    return visit


def steps(store: Store, cuff: str) -> int:
    """How many of SQLite's instructions it takes (sqlite3_progress_handler)."""
    count = 0

    def one_more() -> int:
        nonlocal count
        count += 1
        return 0

    store.connection.set_progress_handler(one_more, 1)
    same_cuff.earlier_self(store, cuffs.row_of(store, cuff))
    store.connection.set_progress_handler(None, 1)
    return count


def test_what_lasting_cuffs_told_in_years_costs_the_end_of_a_visit_nothing(store: Store) -> None:
    same_cuff.note_passing(store, told(store, PASSING, 1))
    told(store, LASTING, 1)
    before = steps(store, PASSING)
    told(store, LASTING, 300)
    assert steps(store, PASSING) == before


def test_a_cuff_with_a_lasting_address_is_compared_with_nobody(store: Store) -> None:
    told(store, LASTING, 1)
    before = steps(store, LASTING)
    same_cuff.note_passing(store, told(store, PASSING, 300))
    assert steps(store, LASTING) == before

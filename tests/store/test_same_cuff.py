"""Cuffs whose address passes are looked for at the end of every visit: other cuffs' years must not make that longer."""

from collections.abc import Iterator
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest
from fresh import fresh
from sqlite_steps import steps_of

from collector.store import Store, audit
from collector.store.journal import cuffs, same_cuff, visits
from collector.store.people import loans
from collector.store.people.loan_states import State

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
    return steps_of(store, lambda: same_cuff.earlier_self(store, cuffs.row_of(store, cuff)))


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


@pytest.mark.parametrize(("older", "newer"), [(LASTING, PASSING), (PASSING, LASTING)])
def test_made_one_a_cuff_keeps_the_name_that_was_given_last(store: Store, older: str, newer: str) -> None:
    for cuff in (LASTING, PASSING):
        told(store, cuff, 1)
    cuffs.name(store, older, "older", NOON)
    cuffs.name(store, newer, "newer", NOON + timedelta(days=1))
    with store.transaction():
        gone, kept = (cuffs.row_of(store, cuff) for cuff in (PASSING, LASTING))
        same_cuff.unite(store, gone, kept, NOON + timedelta(days=2))
    assert cuffs.given_name(store, LASTING) == "newer"
    (united,) = (change.detail for change in audit.changes(store) if change.what == "cuffs united")
    assert united == {"cuff": LASTING, "address": PASSING}


@pytest.mark.parametrize("later", [LASTING, PASSING])
def test_made_one_a_cuff_is_where_it_was_seen_last(store: Store, later: str) -> None:
    """Two stations had it in stock under an address each; by the earlier state one that is out could be lent."""
    for cuff in (LASTING, PASSING):
        told(store, cuff, 1)
        loans.set_state(store, cuff, State.AVAILABLE, NOON)
    loans.lend(store, later, "B-117", ("any",), NOON + timedelta(days=1))
    with store.transaction():
        gone, kept = (cuffs.row_of(store, cuff) for cuff in (PASSING, LASTING))
        same_cuff.unite(store, gone, kept, NOON + timedelta(days=2))
    assert loans.state_of(store, LASTING) is State.ON_LOAN

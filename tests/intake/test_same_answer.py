"""One by one, caught up after a crash, or all anew: the journal always gives the same readings, ids included."""

from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest
from fresh import folder, fresh
from histories import Visiting, histories, play, told
from hypothesis import given, settings

from collector import intake
from collector.intake.time import clock_runs
from collector.store import Store, readings, sightings, upkeep


@pytest.fixture(autouse=True, scope="module")
def _short_reach() -> Any:
    """With the windows this short, a dozen visits show what takes hundreds otherwise."""
    patch = pytest.MonkeyPatch()
    patch.setattr(clock_runs, "REACH_BACK", 3)
    patch.setattr(clock_runs, "REACH_AHEAD", 2)
    yield
    patch.undo()


def ids(store: Store) -> list[str]:
    return sorted(reading.reading_id for reading in readings.select(store))


def rebuild_changes_nothing(history: list[Visiting]) -> None:
    with folder() as base, fresh(Path(base) / "a.db") as store:
        play(store, history)
        before, known = told(store), ids(store)
        intake.rebuild(store)
        assert told(store) == before
        assert ids(store) == known
        assert (upkeep.integrity(store), sightings.miscounted(store)) == ([], 0)
        assert not store.scalar(
            "SELECT count(*) FROM retimed r JOIN retimed s ON r.id = s.id + 1 "
            "AND r.reading_id = s.reading_id AND r.after = s.after AND r.before = s.before "
            "AND r.after_basis = s.after_basis AND r.before_basis = s.before_basis"
        )


def catching_up_is_as_good_as_being_there(history: list[Visiting]) -> None:
    with folder() as base, fresh(Path(base) / "a.db") as there, fresh(Path(base) / "b.db") as late:
        play(there, history)
        play(late, history, live=False)
        intake.catch_up(late)
        assert told(late) == told(there)


RULES = pytest.mark.parametrize("rule", [rebuild_changes_nothing, catching_up_is_as_good_as_being_there])


@RULES
@given(histories)
@settings(max_examples=40)
def test_whatever_happened(rule: Callable[[list[Visiting]], None], history: list[Visiting]) -> None:
    rule(history)


@RULES
@pytest.mark.long
@pytest.mark.timeout(7200)
@given(histories)
@settings(max_examples=1500)
def test_whatever_happened_in_many_histories(rule: Callable[[list[Visiting]], None], history: list[Visiting]) -> None:
    rule(history)

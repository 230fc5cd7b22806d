"""A merge that ended right after it had taken in what people said elsewhere: the next start finishes it."""

from collections.abc import Callable
from datetime import timedelta
from pathlib import Path
from shutil import copyfile

import pytest
from two_people import CUFF, NOW, two_people

from collector import intake
from collector.intake import merging
from collector.store import Store, open_store, readings
from collector.store.journal import derivation
from collector.store.people import slot_spans
from collector.store.people.unions import unite
from collector.store.readings import claims, strikes
from collector.store.values import Reading

DAY = timedelta(days=1)


def the_reading(store: Store) -> Reading:
    (found,) = readings.select(store)
    return found


def claim(store: Store) -> None:
    claims.claim(store, the_reading(store).reading_id, "bob", NOW + DAY)


def strike(store: Store) -> None:
    strikes.strike(store, the_reading(store).reading_id, NOW + DAY)


def give(store: Store) -> None:
    slot_spans.add(store, "bob", CUFF, 1, NOW + DAY)


def make_one(store: Store) -> None:
    unite(store, "bob", "ada", NOW + DAY)


@pytest.mark.parametrize("deed", [claim, strike, give, make_one])
def test_what_was_said_elsewhere_is_in_the_readings_after_the_next_start(
    deed: Callable[[Store], None], tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    with two_people(tmp_path) as here:
        if deed != give:
            slot_spans.add(here, "ada", CUFF, 1, NOW)
        intake.reassign(here)
        before, other = the_reading(here), tmp_path / "other.db"
        here.query("PRAGMA wal_checkpoint(TRUNCATE)")
        copyfile(here.path, other)
        with open_store(other) as elsewhere:
            deed(elsewhere)
            intake.reassign(elsewhere)
            said = the_reading(elsewhere)
        assert said != before

        def ended(*_: object) -> None:
            raise KeyboardInterrupt

        with monkeypatch.context() as cut:
            cut.setattr(merging, "catch_up", ended)
            with pytest.raises(KeyboardInterrupt):
                intake.merge(here, other)
        assert derivation.cuffs_to_redo(here)  # which `check` tells
        intake.catch_up(here)
        assert (the_reading(here).person, the_reading(here).marks) == (said.person, said.marks)
        assert not derivation.cuffs_to_redo(here)

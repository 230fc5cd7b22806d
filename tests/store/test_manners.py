"""What was learned of a cuff stays until it turns out otherwise, or somebody resets it."""

from datetime import UTC, datetime
from pathlib import Path

import pytest

from collector.store import journal
from collector.store.errors import StoreError
from collector.store.journal import cuffs, manners, visits
from collector.store.opening import open_store

CUFF = "F0:F1:F2:F3:F4:F5"
NOON = datetime(2026, 3, 1, 12, tzinfo=UTC)


def test_learned_suspected_unlearned_reset(tmp_path: Path) -> None:
    with open_store(tmp_path / "s.db") as store:
        visit = visits.open_visit(store, CUFF, "virtual", NOON)
        manners.learn(store, visit, "hangs up at", "reading 0x2a25", sure=False, at=NOON)
        assert [(one.detail, one.sure) for one in manners.of(store, CUFF)] == [("reading 0x2a25", False)]
        manners.learn(store, visit, "hangs up at", "reading 0x2a25", sure=False, at=NOON)
        assert [one.sure for one in manners.of(store, CUFF)] == [True]
        manners.unlearn(store, visit, "hangs up at", "reading 0x2a25")
        assert manners.of(store, CUFF) == []
        manners.learn(store, visit, "answers slowly", "", sure=True, at=NOON)
        place = manners.Place(3, 0x2A35, 0x1810, frozenset({"indicate"}), configuration=4)
        manners.learn_places(store, visit, [place])
        assert manners.places_of(store, CUFF) == [place]
        assert manners.reset(store, CUFF, NOON) == 1
        assert (manners.of(store, CUFF), manners.places_of(store, CUFF)) == ([], [])
        with pytest.raises(StoreError, match="no cuff"):
            manners.reset(store, "another", NOON)


def test_a_forgotten_cuff_begins_anew(tmp_path: Path) -> None:
    with open_store(tmp_path / "s.db") as store:
        visit = visits.open_visit(store, CUFF, "virtual", NOON)
        manners.learn(store, visit, "answers slowly", "", sure=True, at=NOON)
        cuffs.forget(store, CUFF, NOON)
        assert manners.of(store, CUFF) == []


def test_visits_count_until_one_delivers(tmp_path: Path) -> None:
    with open_store(tmp_path / "s.db") as store:
        for expected in (1, 2):
            visit = visits.open_visit(store, CUFF, "virtual", NOON)
            visits.close_visit(store, visit, NOON, "cuff left")
            assert manners.undelivered(store, CUFF) == expected
        journal.append(store, cuff=CUFF, characteristic=0x2A35, value=b"?", arrived_at=NOON, source="virtual")
        assert manners.undelivered(store, CUFF) == 0

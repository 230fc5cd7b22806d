"""The store takes no more: nothing is confirmed, the cuff keeps its records, and once there is room they come."""

from pathlib import Path

import pytest
from air import fill, room
from kept import compared, store_sink

from collector import intake
from collector.radio.virtual import Behaviour, VirtualCuff

pytestmark = pytest.mark.usefixtures("no_waiting")

QUICK = Behaviour(lingers_s=0.05, patience_s=1.0, advertises_s=2.0)


@pytest.mark.parametrize("pages_left", [0, 2, 5, *(pytest.param(n, marks=pytest.mark.long) for n in (1, 3, 8, 9))])
async def test_disk_full_in_the_middle_of_a_visit(tmp_path: Path, pages_left: int) -> None:
    """SQLite answers 'database or disk is full' at the page limit as it does on a full disk (PRAGMA max_page_count)."""
    cuff = VirtualCuff(behaviour=QUICK)
    with store_sink(tmp_path) as sink:
        pages = sink.store.scalar("PRAGMA page_count")
        async with room(cuff, sink=sink, pause_s=0.05) as air:
            fill(cuff, 2)
            await air.wake()
            pages = sink.store.scalar("PRAGMA page_count")
            sink.store.connection.execute(f"PRAGMA max_page_count={pages + pages_left}")
            fill(cuff, 200)
            await air.wake()
            kept_in_cuff = len(cuff.memory.records)
            assert kept_in_cuff > 0, "the store was not full"
            stored = sink.store.scalar("SELECT count(*) FROM payload")
            assert stored >= len(cuff.measured) - kept_in_cuff, "a record was confirmed that is not in the store"
            sink.store.connection.execute("PRAGMA max_page_count=1000000")
            while cuff.memory.records:
                await air.wake()
        intake.catch_up(sink.store)  # as the service does at its next start
        found = compared(sink.store, [cuff])
    assert found.measured == 202
    assert found.good, found


async def test_store_locked_by_another_program(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    import sqlite3

    monkeypatch.setattr("collector.store.opening.BUSY_TIMEOUT_MS", 50)
    cuff = VirtualCuff(behaviour=QUICK)
    with store_sink(tmp_path) as sink:
        async with room(cuff, sink=sink, pause_s=0.05) as air:
            fill(cuff, 2)
            await air.wake()
            other = sqlite3.connect(tmp_path / "quietcuff.db")
            other.execute("BEGIN IMMEDIATE")
            fill(cuff, 3)
            await air.wake()
            assert len(cuff.confirmed) == 2
            other.rollback()
            other.close()
            await air.wake()
        found = compared(sink.store, [cuff])
    assert found.measured == 5
    assert found.good, found

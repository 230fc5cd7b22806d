"""One payload as it comes, or all that a cuff ever sent: the same steps, and row for row the same readings."""

from pathlib import Path
from typing import Any

import pytest
from contents import contents
from fresh import folder, fresh
from richstore import fill

from collector import intake
from collector.store import Store

ROWS = ("readings", "outcomes")


def rows(store: Store) -> dict[str, Any]:
    found = contents(store)
    return {name: found[name] for name in ROWS}


@pytest.mark.parametrize("seed", [20, 23])
def test_taken_up_live_rebuilt_from_nothing_and_merged_are_row_for_row_the_same(seed: int) -> None:
    with folder() as base:
        with fresh(Path(base) / "a.db") as store:
            fill(store, seed)
            live = rows(store)
            assert len(live["readings"]) > 100
            with store.transaction():
                store.query("DELETE FROM outcome")
                store.query("DELETE FROM reading")
            intake.rebuild(store)
            assert rows(store) == live
        with fresh(Path(base) / "b.db") as other:
            intake.merge(other, Path(base) / "a.db")
            assert rows(other) == live


def test_a_rebuild_that_finds_all_as_it_was_writes_no_reading_and_no_outcome() -> None:
    with folder() as base, fresh(Path(base) / "a.db") as store:
        fill(store)
        with store.transaction():
            store.query("DELETE FROM strike")  # these are marked anew each time
        intake.rebuild(store)
        store.query("CREATE TABLE written (what TEXT)")
        for table in ("reading", "outcome"):
            for event in ("INSERT", "UPDATE", "DELETE"):
                store.query(
                    f"CREATE TRIGGER {event}_{table} AFTER {event} ON {table} "
                    f"BEGIN INSERT INTO written VALUES ('{event} {table}'); END"
                )
        intake.rebuild(store)
        assert store.query("SELECT what, count(*) FROM written GROUP BY what").fetchall() == []


def test_another_cuffs_reading_of_the_same_id_is_counted_there_and_stops_nothing() -> None:
    """A strange export says that a reading is another cuff's: whatever comes first keeps the id."""
    with folder() as base, fresh(Path(base) / "a.db") as store:
        fill(store)
        reading_id, value = store.row(
            "SELECT reading_id, value FROM reading JOIN payload ON payload.id = payload_id WHERE clock = 'imported'"
        ) or (None, None)
        with store.transaction():
            other = store.query("INSERT INTO cuff (address) VALUES ('C0:FF:EE:00:00:99')").lastrowid
            payload = store.query(
                """INSERT INTO payload (uid, station_id, number, cuff_id, characteristic, value, arrived_at, source)
                SELECT randomblob(16), station_id, number + 1, ?, 1, ?, arrived_at, source FROM payload
                ORDER BY id DESC LIMIT 1""",
                (other, value),
            ).lastrowid
        before = rows(store)["readings"]
        for work in (lambda: intake.interpret(store, payload or 0), lambda: intake.rebuild(store)):
            work()
            assert rows(store)["readings"] == before
            assert store.row(
                "SELECT kind, reading_id FROM outcome JOIN reading r ON r.id = reading WHERE outcome.payload_id = ?",
                (payload,),
            ) == ("reading", reading_id)

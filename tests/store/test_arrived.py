"""Readings that another process brings, each once, and a quiet store that costs nothing to ask."""

from datetime import timedelta
from pathlib import Path

from measured import KITCHEN, MONDAY, append, make_store, week

from collector.intake import interpret
from collector.store.opening import open_store
from collector.store.readings.arrived import NewReadings


def test_each_arrival_is_told_once_and_nothing_older(tmp_path: Path) -> None:
    path = make_store(tmp_path / "s.db", [*week(MONDAY, 130, 80, days=2)], {"mira": 1})
    with open_store(path) as ours, open_store(path) as theirs:
        arrivals = NewReadings(ours)
        assert arrivals.new() == []
        at = MONDAY + timedelta(days=3)
        for number in range(3):
            row = (at + timedelta(minutes=number), 120 + number, 80, 64, 0, 1 + number % 2)
            interpret(theirs, append(theirs, row, row[0] + timedelta(seconds=20)))
            (found,) = arrivals.new()
            assert (found.systolic, found.person) == (120 + number, None if number % 2 else "mira")
            assert found.cuff == KITCHEN
            assert arrivals.new() == []
        interpret(theirs, append(theirs, row, at + timedelta(hours=1)))  # the last one once more
        assert arrivals.new() == []


def test_a_quiet_store_is_asked_for_its_version_only(tmp_path: Path) -> None:
    path = make_store(tmp_path / "s.db", [*week(MONDAY, 130, 80, days=1)], {"mira": 1})
    with open_store(path) as store:
        arrivals = NewReadings(store)
        arrivals.new()
        asked: list[str] = []
        store.connection.set_trace_callback(asked.append)
        assert arrivals.new() == []
        assert asked == ["PRAGMA data_version"]

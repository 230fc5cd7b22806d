"""What stands in the store already and cannot be read is set aside, counted, and stops nothing."""

from datetime import UTC, datetime, timedelta
from decimal import Decimal
from pathlib import Path

import pytest

from collector import intake
from collector.service.checks import store as checks
from collector.service.checks.finding import FindingState
from collector.store import Selection, Store, StoreError, journal, open_store, readings
from collector.store.errors import UnreadableError
from collector.store.json_columns import from_json
from parsers.measurement import build_measurement, measurement

NOON = datetime(2031, 3, 4, 12, 0, tzinfo=UTC)

BAD = {
    "zone": "INSERT INTO zone (name) VALUES ('Mars/Olympus'); "
    "UPDATE reading SET zone_id = (SELECT max(id) FROM zone) WHERE id = 3",
    "zone out of its folder": "INSERT INTO zone (name) VALUES ('../../etc'); "
    "UPDATE reading SET zone_id = (SELECT max(id) FROM zone) WHERE id = 3",
    "time": "UPDATE reading SET taken_at = 9223372036854775807 WHERE id = 3",
    "year 1": "UPDATE reading SET taken_at = -62135596800000001 WHERE id = 3",
    "received": "UPDATE reading SET received_at = -9223372036854775807 WHERE id = 3",
    "number": "UPDATE reading SET systolic = 'many' WHERE id = 3",
    "basis": "UPDATE reading SET basis = 'guess' WHERE id = 3",
}


def five(path: Path) -> Store:
    store = open_store(path)
    for day in range(5):
        value = build_measurement(measurement(120 + day, 80, stamp=(NOON + timedelta(days=day)).replace(tzinfo=None)))
        added = journal.append(
            store, cuff="F0:00:00:00:00:01", characteristic=0x2A35, value=value,
            arrived_at=NOON + timedelta(days=day, seconds=20), source="virtual",
        )  # fmt: skip
        intake.interpret(store, added.payload)
    return store


@pytest.mark.parametrize("bad", BAD)
def test_one_bad_row_stops_nothing(bad: str, tmp_path: Path) -> None:
    with five(tmp_path / "store.db") as store:
        store.connection.executescript(BAD[bad])
        (third,) = (one for (one,) in store.query("SELECT reading_id FROM reading WHERE id = 3"))
        assert sorted(reading.systolic or 0 for reading in readings.select(store)) == [120, 121, 123, 124]
        assert len(list(readings.select(store, Selection(last=5)))) == 4
        assert third not in readings.those(store, [third])
        with pytest.raises(StoreError, match="cannot be read"):
            readings.get(store, third)
        ((found, problem),) = readings.unreadable(store)
        assert (found, bool(problem)) == (third, True)
        told = [one for one in checks.findings(store, quick=False, listening=False) if one.topic == "readings"]
        assert [one.state for one in told] == [FindingState.ATTENTION]
        assert "1 is set aside" in told[0].text
        intake.rebuild(store)
        assert [reading.systolic for reading in readings.select(store)] == [Decimal(120 + day) for day in range(5)]
        assert not readings.unreadable(store)


def test_a_text_that_is_none_is_shown_as_well_as_can_be(tmp_path: Path) -> None:
    with five(tmp_path / "store.db") as store:
        store.connection.executescript("UPDATE reading SET note = CAST(x'41ff' AS TEXT) WHERE id = 3")
        assert [reading.note for reading in readings.select(store)] == [None, None, "A\ufffd", None, None]
        assert len(list(checks.findings(store, quick=False, listening=False)))


@pytest.mark.parametrize("cell", ["reading SET note", "reading SET stamp", "zone SET name", "outcome SET reason"])
def test_a_rebuild_heals_a_derived_text_that_is_none(cell: str, tmp_path: Path) -> None:
    with five(tmp_path / "store.db") as store:
        before = list(readings.select(store))
        store.connection.executescript(f"UPDATE {cell} = CAST(x'41ff' AS TEXT)")
    with open_store(tmp_path / "store.db") as store:
        intake.rebuild(store)
    with open_store(tmp_path / "store.db") as store:
        assert list(readings.select(store)) == before
        assert store.query("SELECT DISTINCT reason FROM outcome").fetchall() == [(None,)]


def test_an_arrival_in_no_year_is_kept_and_told(tmp_path: Path) -> None:
    with five(tmp_path / "store.db") as store:
        store.connection.executescript(
            "DROP TRIGGER payload_never_changes; UPDATE payload SET arrived_at = 9223372036854775807 WHERE id = 3"
        )
        assert intake.rebuild(store) == 4
        (trouble,) = journal.troubles(store)
        assert "no year" in (trouble.reason or "")
        assert len(list(readings.select(store))) == 4
        assert len(list(checks.findings(store, quick=False, listening=False)))


def test_what_cannot_be_read_says_what_and_who_names_its_row() -> None:
    with pytest.raises(UnreadableError, match=r"none \(.*`quietcuff check` names its table and row") as told:
        from_json("loan", "checks", "{")
    assert told.value.kind == "unreadable"

"""Upgrades: what an older quietcuff wrote opens with the present one, says the same, and is backed up first."""

import gzip
import importlib.util
import json
import sqlite3
from pathlib import Path
from types import ModuleType

import pytest
from sqlite_utils import Database, Migrations

from collector.intake.pipeline import catch_up, rebuild
from collector.store import journal, readings, schema_steps, sightings, upkeep
from collector.store.errors import StoreError
from collector.store.migrations import STEPS
from collector.store.opening import open_store
from collector.store.schema_steps import APPLICATION_ID, VERSION

FOLDER = Path(__file__).parents[2] / "fixtures/stores"
KEPT = sorted(FOLDER.glob("schema-*.sqlite3.gz"))


@pytest.fixture
def make() -> ModuleType:
    spec = importlib.util.spec_from_file_location("make_stores", FOLDER / "make.py")
    assert spec
    assert spec.loader
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    return module


def test_every_step_is_numbered_by_how_many_are_taken_with_it() -> None:
    """Two who add a step at the same time do not both get a number."""
    assert [int(name[:3]) for name, _ in STEPS] == list(range(1, len(STEPS) + 1))


@pytest.mark.parametrize("kept", KEPT, ids=lambda kept: kept.name)
def test_a_kept_store_says_what_it_said(kept: Path, tmp_path: Path, make: ModuleType) -> None:
    path = tmp_path / "quietcuff.db"
    path.write_bytes(gzip.decompress(kept.read_bytes()))
    lines = (FOLDER / kept.name.replace(".sqlite3.gz", ".ndjson")).read_text().splitlines()
    expected = [json.loads(line) for line in lines]
    assert len(expected) == 20
    with open_store(path) as store:
        assert [json.loads(line) for line in make.as_lines(store)] == expected
        assert (upkeep.integrity(store), sightings.miscounted(store)) == ([], 0)
        rebuild(store)
        assert [json.loads(line) for line in make.as_lines(store)] == expected


def old_store(path: Path, steps: int) -> bytes:
    """A store as it was after so many steps, with one payload in it."""
    with sqlite3.connect(path) as connection:
        migrations = Migrations("quietcuff")
        for name, step in STEPS[:steps]:
            migrations(name=name)(step)
        migrations.apply(Database(connection))
        connection.execute("INSERT INTO station (id, uid, own) VALUES (1, x'01', 1)")
        connection.execute("INSERT INTO station_zone VALUES (1, 0, 'UTC')")
        connection.execute("INSERT INTO cuff (id, address) VALUES (1, 'C0:FF:EE:00:00:01')")
        connection.execute(
            "INSERT INTO payload (uid, station_id, number, cuff_id, characteristic, value, arrived_at, "
            "source) VALUES (x'02', 1, 1, 1, 10805, x'0080005000610000', 1900000000000000, 'witness')"
        )
        connection.execute(f"PRAGMA application_id={APPLICATION_ID}")
        connection.execute(f"PRAGMA user_version={steps}")
    connection.close()
    return path.read_bytes()


@pytest.mark.parametrize("steps", range(1, VERSION))
def test_every_step_leads_forward_with_a_backup_first(steps: int, tmp_path: Path) -> None:
    path = tmp_path / "quietcuff.db"
    old_store(path, steps)
    with open_store(path) as store:
        assert store.scalar("PRAGMA user_version") == VERSION
        catch_up(store)
        (reading,) = readings.select(store)
        assert (reading.systolic, reading.diastolic) == (128, 80)
    kept = tmp_path / "backups" / f"quietcuff-before-schema-{steps + 1}.db"
    assert kept.stat().st_mode & 0o777 == 0o600
    with sqlite3.connect(kept) as connection:
        assert connection.execute("PRAGMA user_version").fetchone() == (steps,)
        assert connection.execute("SELECT hex(value) FROM payload").fetchall() == [("0080005000610000",)]
    connection.close()


def test_a_new_store_needs_no_backup(tmp_path: Path) -> None:
    open_store(tmp_path / "quietcuff.db").close()
    assert not (tmp_path / "backups").exists()


def test_without_room_for_the_backup_nothing_is_changed(tmp_path: Path) -> None:
    path = tmp_path / "quietcuff.db"
    old_store(path, 1)
    (tmp_path / "backups").write_text("in the way")
    with pytest.raises(StoreError, match="backup cannot be written"):
        open_store(path)
    with sqlite3.connect(path) as connection:
        assert connection.execute("PRAGMA user_version").fetchone() == (1,)
        assert connection.execute("SELECT count(*) FROM payload").fetchone() == (1,)
    connection.close()


@pytest.mark.parametrize("rolled_back", [False, True])
def test_a_step_that_fails_leaves_the_store_as_it_was(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, rolled_back: bool
) -> None:
    """rolled_back: by SQLite itself, as where the disk is full; the error that is told is the step's."""
    path = tmp_path / "quietcuff.db"
    old_store(path, 1)

    def fails(db: Database) -> None:
        db.execute("CREATE TABLE half (made INTEGER)")
        if rolled_back:
            db.execute("ROLLBACK")
        raise sqlite3.OperationalError("no more")

    monkeypatch.setattr("collector.store.migrations.STEPS", (*STEPS, ("999 fails", fails)))
    monkeypatch.setattr(schema_steps, "VERSION", VERSION + 1)
    with pytest.raises(StoreError, match="no more"):
        open_store(path)
    with sqlite3.connect(path) as connection:
        assert connection.execute("PRAGMA user_version").fetchone() == (1,)
        made = "SELECT count(*) FROM sqlite_schema WHERE name IN ('half', 'reading')"
        assert connection.execute(made).fetchone() == (0,)
    connection.close()
    monkeypatch.undo()
    with open_store(path) as store:
        assert journal.counts(store).payloads == 1

"""`merge` and `person erase`, on invented households."""

import gzip
import json
import shutil
from collections.abc import Callable, Sequence
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import pytest
from typer.testing import Result

from collector.cli.common.command import GlobalOptions
from collector.cli.common.erased import copies
from collector.intake import interpret
from collector.store import journal, open_store
from collector.store.people import erase
from parsers.measurement import build_measurement, measurement

Run = Callable[..., Result]


def ids(quietcuff: Run, store: Path, *more: str) -> list[str]:
    lines = quietcuff("--store", str(store), "readings", "--json", *more).stdout.splitlines()
    return [json.loads(line)["reading_id"] for line in lines]


def test_merging_a_copy_twice_adds_nothing_and_counts_no_repeat(
    quietcuff: Run, household: Path, tmp_path: Path
) -> None:
    other = Path(shutil.copy(household, tmp_path / "other.db"))
    before = quietcuff("--store", str(household), "readings", "--all", "--json").stdout
    for _ in range(2):
        result = quietcuff("--store", str(household), "merge", str(other))
        assert result.exit_code == 0
        assert ": 0 new payloads, " in result.stderr
    assert quietcuff("--store", str(household), "readings", "--all", "--json").stdout == before


def test_merging_into_an_empty_station_brings_everything(quietcuff: Run, household: Path, tmp_path: Path) -> None:
    empty = tmp_path / "empty.db"
    assert quietcuff("--store", str(empty), "person", "add", "rui").exit_code == 0
    assert quietcuff("--store", str(empty), "merge", str(household)).exit_code == 0
    assert ids(quietcuff, empty) == ids(quietcuff, household)


def test_merging_what_is_no_store_is_one_clear_line(quietcuff: Run, household: Path, tmp_path: Path) -> None:
    (tmp_path / "note.txt").write_text("not a store")
    for wrong in (tmp_path / "note.txt", tmp_path / "nowhere.db", household):
        result = quietcuff("--store", str(household), "merge", str(wrong))
        assert result.exit_code == 1
        assert result.stderr.count("\n") == 1
        assert str(wrong) in result.stderr


def test_erase_asks_for_yes_and_leaves_nothing(quietcuff: Run, household: Path, tmp_path: Path) -> None:
    run = lambda *args: quietcuff("--store", str(household), *args)  # noqa: E731
    assert run("person", "add", "zebedee").exit_code == 0
    assert run("person", "give", "zebedee", "--cuff", "kitchen", "--slot", "1").exit_code == 0
    mine = ids(quietcuff, household, "zebedee")
    assert len(mine) > 20
    backup = Path(shutil.copy(household, tmp_path / "backup.db"))
    unsure = run("person", "erase", "zebedee")
    assert unsure.exit_code == 2
    assert "--yes" in unsure.stderr
    done = run("person", "erase", "zebedee", "--yes", "--in", str(backup))
    assert done.exit_code == 0, done.stderr
    assert not set(mine) & set(ids(quietcuff, household))
    for path in (household, backup):
        for file in path.parent.glob(path.name + "*"):
            assert b"zebedee" not in file.read_bytes(), file
    assert run("person", "erase", "zebedee", "--yes").exit_code == 1


def test_merge_makes_the_store_and_says_who_may_be_one(quietcuff: Run, tmp_path: Path) -> None:
    north, south, both = (tmp_path / f"{name}.db" for name in ("north", "south", "all"))
    for path in (north, south):
        assert quietcuff("--store", str(path), "person", "add", "mira").exit_code == 0
    result = quietcuff("--store", str(both), "merge", str(north), str(south))
    assert result.exit_code == 0, result.stderr
    assert "two are called 'mira': `quietcuff person unite 'mira#" in result.stderr
    assert "the store has 0 readings now" in result.stderr
    assert sorted(path.name for path in tmp_path.glob("*.db")) == ["all.db", "north.db", "south.db"]


def test_every_copy_that_quietcuff_makes_of_a_store_is_named(tmp_path: Path) -> None:
    """Also of a store whose name would be a pattern; other files are nobody's business."""
    store, elsewhere = tmp_path / "q[1].sqlite", tmp_path / "elsewhere"
    made = [
        tmp_path / "q[1]-before-restore-20310304-031500.sqlite",
        tmp_path / "backups" / "q[1]-before-schema-4.db",
        tmp_path / "backups" / "q[1]-20310304-031500.db",
        elsewhere / "q[1]-20310305-031500.db.age",
    ]
    others = [tmp_path / "backups" / "other-20310304-031500.db", tmp_path / "q1-before-restore-20310304-031500.sqlite"]
    for path in (store, *made, *others):
        path.parent.mkdir(exist_ok=True)
        path.touch()
    config = tmp_path / "quietcuff.toml"
    config.write_text(f"[backup]\nfolder = '{elsewhere}'\n")
    assert copies(GlobalOptions(store=str(store), config_option=config)) == sorted(made)


def test_erase_tells_of_the_copies_that_are_left(quietcuff: Run, household: Path) -> None:
    run = lambda *args: quietcuff("--store", str(household), *args)  # noqa: E731
    assert run("person", "add", "zebedee").exit_code == 0
    assert run("backup", "now").exit_code == 0
    (backup,) = (household.parent / "backups").glob("*.db")
    assert f"{backup} was made before" in run("person", "erase", "zebedee", "--yes").stderr


@pytest.mark.parametrize("command", [("readings",), ("import", "log.csv"), ("merge", "other.db")])
def test_whoever_finishes_an_erase_names_the_copies_too(
    quietcuff: Run, household: Path, tmp_path: Path, command: Sequence[str]
) -> None:
    (tmp_path / "log.csv").write_text("taken_at,systolic,diastolic\n2026-03-04 07:30,128,81\n")
    shutil.copy(household, tmp_path / "other.db")
    run = lambda *args: quietcuff("--store", str(household), *args)  # noqa: E731
    assert run("person", "add", "zebedee").exit_code == 0
    assert run("backup", "now").exit_code == 0
    with open_store(household) as store:
        erase.begin(store, "zebedee", datetime.now(UTC))
    verb, *files = command
    told = run(verb, *(str(tmp_path / file) for file in files)).stderr
    assert "zebedee is erased" in told
    assert f"{next((household.parent / 'backups').glob('*.db'))} was made before" in told
    assert "erased" not in run("readings").stderr


@pytest.mark.parametrize(("answer", "people"), [("y", 1), ("n", 2)])
def test_merge_asks_at_a_terminal_who_is_who(
    answer: str, people: int, quietcuff: Run, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    north, south = tmp_path / "north.db", tmp_path / "south.db"
    for path in (north, south):
        assert quietcuff("--store", str(path), "person", "add", "mira").exit_code == 0
    monkeypatch.setattr("collector.cli.merge.sys", Terminal())
    done = quietcuff("--store", str(north), "merge", str(south), input=f"{answer}\n")
    assert done.exit_code == 0, done.stderr
    assert "Is mira#" in done.stderr
    assert ("are one person now" in done.stderr) is (people == 1)
    assert ("two are called 'mira'" in done.stderr) is (people == 2)
    assert len(quietcuff("--store", str(north), "person", "list", "--json").stdout.splitlines()) == people


class Terminal:
    """`sys`, with somebody sitting at it."""

    class stdin:  # noqa: N801
        @staticmethod
        def isatty() -> bool:
            return True


LOG = "taken_at,systolic,diastolic,person\n"


def test_a_backup_that_is_found_later_is_freed_as_well(quietcuff: Run, tmp_path: Path) -> None:
    store, later = tmp_path / "here.db", tmp_path / "later.db"
    run = lambda *args, **more: quietcuff("--store", str(store), *args, **more)  # noqa: E731
    assert run("person", "add", "zebedee").exit_code == 0
    assert run("import", "-", input=f"{LOG}2025-03-04 07:30,128,81,zebedee\n").exit_code == 0
    shutil.copy(store, later)
    missing = run("person", "erase", "zebedee", "--yes", "--in", str(tmp_path / "typo.db"))
    assert (missing.exit_code, len(ids(quietcuff, store))) == (1, 1)  # nothing went yet
    assert run("person", "erase", "zebedee", "--yes").exit_code == 0
    done = run("person", "erase", "zebedee", "--in", str(later))
    assert done.exit_code == 0, done.stderr
    assert ": 1 payload erased" in done.stderr
    assert b"zebedee" not in later.read_bytes()
    assert run("person", "erase", "zebedee", "--yes").exit_code == 1


@pytest.mark.parametrize("erased_first", ["here", "there"])
def test_what_was_written_of_an_erased_person_elsewhere_stays_out(
    quietcuff: Run, tmp_path: Path, erased_first: str
) -> None:
    here, there = tmp_path / "here.db", tmp_path / "there.db"
    for args in (["person", "add", "zebedee"], ["person", "add", "rui"], ["import", "-"]):
        log = f"{LOG}2025-03-04 07:30,128,81,zebedee\n2025-03-04 08:30,131,81,zebedee\n2025-03-05 07:30,119,80,rui\n"
        assert quietcuff("--store", str(here), *args, input=log).exit_code == 0
    shutil.copy(here, there)
    quietcuff("--store", str(there), "import", "-", input=f"{LOG}2025-04-01 07:30,151,91,zebedee\n")
    passed_on = ids(quietcuff, here)[1]
    assert quietcuff("--store", str(here), "person", "claim", "rui", passed_on).exit_code == 0
    assert quietcuff("--store", str(here), "person", "erase", "zebedee", "--yes").exit_code == 0
    into, other = (here, there) if erased_first == "here" else (there, here)
    for first, second in ((into, other), (other, into), (into, other)):
        assert quietcuff("--store", str(first), "merge", str(second)).exit_code == 0
    for store in (here, there):
        lines = quietcuff("--store", str(store), "readings", "--json").stdout.splitlines()
        found = [(one["person"], one["systolic"]) for one in map(json.loads, lines)]
        assert found == [("rui", 131), ("rui", 119)]


def test_no_restore_brings_the_erased_back(quietcuff: Run, household: Path) -> None:
    run = lambda *args: quietcuff("--store", str(household), *args)  # noqa: E731
    assert run("person", "add", "zebedee").exit_code == 0
    assert run("person", "give", "zebedee", "--cuff", "kitchen", "--slot", "1").exit_code == 0
    assert run("backup", "now").exit_code == 0
    others = set(ids(quietcuff, household)) - set(ids(quietcuff, household, "zebedee"))
    assert run("person", "erase", "zebedee", "--yes").exit_code == 0
    done = run("backup", "restore", "last")
    assert done.exit_code == 0, done.stderr
    assert "of the backup, erased here since, left out" in done.stderr
    assert "zebedee" not in run("person", "list").stdout
    assert set(ids(quietcuff, household)) == others
    for file in household.parent.glob("household*db*"):
        assert b"zebedee" not in file.read_bytes(), file
    assert not list(household.parent.rglob("*.restoring*"))


@pytest.mark.parametrize("schema", [4, 5])
def test_an_older_backup_that_is_erased_from_leaves_no_copy_of_what_it_was(
    quietcuff: Run, tmp_path: Path, schema: int
) -> None:
    store, old = tmp_path / "store.db", tmp_path / "copies" / f"schema-{schema}.db"
    kept = Path(__file__).parents[2] / f"fixtures/stores/schema-{schema}.sqlite3.gz"
    old.parent.mkdir()
    old.write_bytes(gzip.decompress(kept.read_bytes()))
    assert quietcuff("--store", str(store), "merge", str(old)).exit_code == 0
    people = json_lines(quietcuff("--store", str(store), "person", "list", "--json").stdout)
    name = next(one["person"] for one in people if one["readings"])
    done = quietcuff("--store", str(store), "person", "erase", name, "--yes", "--in", str(old))
    assert done.exit_code == 0, done.stderr
    assert [path.name for path in old.parent.rglob("*") if path.suffix not in (".writers", ".db-wal", ".db-shm")] == [
        old.name
    ]
    assert name.encode() not in old.read_bytes()


def json_lines(text: str) -> list[dict[str, Any]]:
    return [json.loads(line) for line in text.splitlines()]


def test_erase_names_what_a_killed_restore_or_backup_left(quietcuff: Run, household: Path) -> None:
    left = [
        household.with_name("household.db.restoring"),
        household.with_name("household-20310304-031500.db.unsealed"),
        household.parent / "backups" / "household-20310304-031500.db.part",
    ]
    left[-1].parent.mkdir()
    for path in left:
        shutil.copy(household, path)
    assert quietcuff("--store", str(household), "person", "add", "zebedee").exit_code == 0
    told = quietcuff("--store", str(household), "person", "erase", "zebedee", "--yes").stderr
    assert all(f"{path} was made before" in told for path in left), told


@pytest.mark.parametrize("there", [True, False])
def test_what_a_station_that_knew_of_no_erase_heard_in_that_slot_is_told(
    quietcuff: Run, tmp_path: Path, there: bool
) -> None:
    """It may be another's by now, so it stays, as nobody's: somebody has to look."""
    here, other = tmp_path / "here.db", tmp_path / "other.db"
    for path, days in ((here, (0, 1)), (other, (1, 2))):
        with open_store(path) as store:
            for day in days:
                at = datetime(2026, 3, 4, 7, tzinfo=UTC) + timedelta(days=day)
                value = build_measurement(measurement(128, 81, stamp=at.replace(tzinfo=None)))
                added = journal.append(store, cuff="C0:FF:EE:00:00:01", characteristic=0x2A35, value=value,
                                       arrived_at=at, source="virtual")  # fmt: skip
                interpret(store, added.payload)
    for args in (("person", "add", "mira"), ("person", "give", "mira", "--cuff", "C0:FF:EE:00:00:01")):
        assert quietcuff("--store", str(here), *args).exit_code == 0
    merged = quietcuff("--store", str(other), "merge", str(here))
    assert "erased" not in merged.stderr
    assert len(ids(quietcuff, other, "mira")) == 3
    assert quietcuff("--store", str(here), "person", "erase", "mira", "--yes").exit_code == 0
    into, brought = (other, here) if there else (here, other)
    for _ in range(1 if there else 2):
        told = quietcuff("--store", str(into), "merge", str(brought)).stderr
        assert "2 readings that were somebody's who is erased are nobody's now" in told
    assert len(ids(quietcuff, into, "--unassigned")) == 2


def test_a_merge_says_how_many_readings_it_took_out(quietcuff: Run, tmp_path: Path) -> None:
    """Seen: five readings went, one of which this station alone had, and it said '8 known'."""
    here, there, log = (tmp_path / name for name in ("here.db", "there.db", "log.csv"))
    at_here = lambda *words: quietcuff("--store", str(here), *words)  # noqa: E731
    assert at_here("person", "add", "mira").exit_code == 0
    shutil.copy(here, there)
    log.write_text("taken_at,systolic,diastolic\n2026-03-01 07:30,128,81\n2026-03-02 07:30,126,80\n")
    assert at_here("import", str(log), "mira").exit_code == 0
    assert quietcuff("--store", str(there), "person", "erase", "mira", "--yes").exit_code == 0
    told = at_here("merge", str(there)).stderr
    assert "somebody was erased there: 2 readings of theirs went here too" in told
    assert "erased there" not in at_here("merge", str(there)).stderr


def test_what_an_older_retention_rule_took_there_is_nobody_who_was_erased(quietcuff: Run, tmp_path: Path) -> None:
    """Seen: 'somebody was erased there: 182 readings of theirs went here too', and none went."""
    here, there = tmp_path / "here.db", tmp_path / "there.db"
    value = build_measurement(measurement(128, 81, stamp=datetime(2026, 3, 4, 7)))
    with open_store(here) as store:
        for day in (4, 5):
            added = journal.append(store, cuff="C0:FF:EE:00:00:01", characteristic=0x2A35, value=value,
                                   arrived_at=datetime(2026, 3, day, 8, tzinfo=UTC), source="virtual")  # fmt: skip
            interpret(store, added.payload)
    shutil.copy(here, there)
    with open_store(there) as store:  # before schema 22 a copy that the rule took away was named so
        store.query("INSERT INTO erased SELECT uid FROM payload ORDER BY id DESC LIMIT 1")
        erase.delete_erased(store)
    told = quietcuff("--store", str(here), "merge", str(there)).stderr
    assert "erased there" not in told
    assert "the store has 1 reading now" in told

"""`merge` and `person erase`, on invented households."""

import json
import shutil
from collections.abc import Callable
from pathlib import Path

from typer.testing import Result

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
        assert "0 payloads were new" in result.stderr
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
    assert "two are called 'mira': `quietcuff person unite mira#" in result.stderr
    assert "the store has 0 readings now" in result.stderr
    assert sorted(path.name for path in tmp_path.glob("*.db")) == ["all.db", "north.db", "south.db"]

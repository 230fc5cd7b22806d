"""A store on a file system that nobody can write: every command that only reads answers, on what was committed last."""

import os
import shutil
import subprocess
from collections.abc import Callable, Iterator
from contextlib import suppress
from datetime import UTC, date, datetime
from pathlib import Path

import pytest
from typer.testing import Result

from collector import intake
from collector.store import open_store, people
from collector.store.people import notes, slot_spans

NOW = datetime(2031, 3, 20, tzinfo=UTC)

KITCHEN = "C0:FF:EE:00:00:01"
COMMANDS = (
    "readings",
    "readings --json",
    "readings mira --last 3",
    "average mira --since 2031-03-04 --until 2031-03-11",
    "trend mira",
    "change mira --at 2031-03-09",
    "note list mira",
    "office list mira",
    "report mira -o -",
    "export --to csv",
    "export mira --to fhir",
    "cuff list",
    "person list",
    "loan list",
    "retention --days 1",
    "backup list",
    "check",
    "store tables",
)


@pytest.fixture
def small(tmp_path: Path) -> Iterator[Path]:
    """A file system of its own."""
    place = tmp_path / "stick"
    place.mkdir()
    if os.geteuid() != 0 or shutil.which("mount") is None:
        pytest.skip("mounting needs root")
    if subprocess.run(["mount", "-t", "tmpfs", "-o", "size=16m", "tmpfs", str(place)], capture_output=True).returncode:
        pytest.skip("mounting is not allowed here")
    try:
        yield place
    finally:
        subprocess.run(["umount", str(place)], check=True)


@pytest.mark.system
@pytest.mark.parametrize("log", [False, True], ids=["alone", "with a write-ahead log beside it"])
def test_every_reading_command_answers(
    log: bool, small: Path, household: Path, quietcuff: Callable[..., Result], tmp_path: Path
) -> None:
    with open_store(household) as store:
        people.add(store, "mira", NOW)
        slot_spans.add(store, "mira", KITCHEN, 1, NOW)
        intake.reassign(store)
        notes.add(store, "mira", date(2031, 3, 9), "half a tablet more", "regimen", NOW)
        if log:  # as a power cut leaves it: what was committed last stands in the log alone
            for name in (household.name, f"{household.name}-wal"):
                shutil.copy(household.with_name(name), small / name)
            assert (small / f"{household.name}-wal").stat().st_size
    if not log:
        shutil.copy(household, small / household.name)
    subprocess.run(["mount", "-o", "remount,ro", str(small)], check=True)
    before = sorted(one.name for one in small.iterdir())
    for line in COMMANDS:
        result = quietcuff("--store", str(small / household.name), *line.split())
        assert result.exit_code in (0, 3), (line, result.exit_code, result.output)
        assert result.exception is None or isinstance(result.exception, SystemExit), line
    told = quietcuff("--store", str(small / household.name), "note", "list", "mira")
    assert "half a tablet more" in told.stdout
    assert sorted(one.name for one in small.iterdir()) == before


@pytest.mark.system
@pytest.mark.parametrize("log", [False, True], ids=["alone", "with a write-ahead log beside it"])
def test_a_full_disk_can_be_read(
    log: bool, small: Path, household: Path, quietcuff: Callable[..., Result], tmp_path: Path
) -> None:
    """There is no room for the file that readers of a store share."""
    store, crashed = small / "s.db", tmp_path / "crashed.db"
    shutil.copy(household, crashed)
    with open_store(crashed) as writing:
        people.add(writing, "mira", NOW)
        slot_spans.add(writing, "mira", KITCHEN, 1, NOW)
        intake.reassign(writing)
        if not log:
            writing.query("PRAGMA wal_checkpoint(TRUNCATE)")
        for ending in ("", "-wal"):
            if log or not ending:
                shutil.copy(f"{crashed}{ending}", f"{store}{ending}")
    subprocess.run(["mount", "-o", "remount,size=2m", str(small)], check=True)
    with (small / "filler").open("wb", buffering=0) as filler, suppress(OSError):
        for _ in range(1000):
            filler.write(bytes(4096))
    for words in COMMANDS:
        done = quietcuff("--store", str(store), *words.split())
        assert done.exit_code in (0, 3), (words, done.stderr)
    assert "mira" in quietcuff("--store", str(store), "person", "list").stdout
    full = quietcuff("--store", str(store), "backup", "now")
    assert (full.exit_code, full.stderr.count("\n")) == (1, 1)
    assert not list(small.glob("backups/*.part*"))

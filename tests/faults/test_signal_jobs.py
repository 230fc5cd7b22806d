"""Ctrl-C, SIGTERM and a terminal that closes, at random instants of the commands that write: no traceback, a sound
store, and the same command again finishes it. SIGKILL: `test_kill_jobs.py`.

The long form, so many signals of each, prints a table:
PYTHONPATH=tests/support python tests/faults/test_signal_jobs.py 200 [JOB…]
"""

import random
import shutil
import signal
import sys
import tempfile
from collections import Counter
from collections.abc import Iterator
from contextlib import contextmanager
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest
import writing_jobs as kill
from forked_command import forked, load_all

from collector.service.jobs import backups
from collector.store import StoreError, open_store, readings

NOON = datetime(2025, 3, 4, 12, 0, tzinfo=UTC)
"""Of the stores: commands go by this machine's clock."""
SIGNALS = (signal.SIGINT, signal.SIGTERM, signal.SIGHUP)
LOG = "taken_at,systolic,diastolic,pulse,person\n" + "".join(
    f"{NOON + timedelta(hours=n):%Y-%m-%dT%H:%M}+00:00,{120 + n},80,60,Jon Wetterau\n" for n in range(60)
)
WORDS = {
    "import": ("import", "log.csv"),
    "merge": ("merge", "other.db"),
    "restore": ("backup", "restore", "last"),
    "erase": ("person", "erase", kill.NAME, "--yes"),
    "rebuild": ("rebuild",),
    "retention": ("retention", "--days", "1", "--apply"),
    "migration": ("readings", "--last", "1"),
    "backup": ("backup", "now"),
    "sealed backup": ("backup", "now", "--encrypt-to"),
}
LESS = {
    "check": ("check",),
    "export": ("export", "--to", "fhir", "-o", "out.json"),
    "report": ("report", kill.NAME, "-o", "report.pdf"),
    "average": ("average", kill.NAME),
    "trend": ("trend", kill.NAME),
    "store query": ("store", "query", "SELECT * FROM reading"),
    "page invite": ("page", "invite", kill.NAME),
    "loan list": ("loan", "list"),
    "person add": ("person", "add", "guest"),
    "backup list": ("backup", "list", "--verify"),
    "note": ("note", "add", kill.NAME, "2025-03-20", "walks"),
    "strike": ("strike", "0d6f5b1a"),  # Mira's of 2025-03-05; somebody else has one of that minute
}
"""Commands that read, or write one thing: the readings stay as they are."""


def check_import(path: Path) -> None:
    kill.sound(path)
    for before in ((2 * kill.DAYS, 2 * kill.DAYS + 60), (2 * kill.DAYS + 60,)):
        with open_store(path, create=False) as store:
            assert readings.count(store) in before
        assert signalled("import", path, None, signal.SIGINT)[0] == 0


def check_backup(path: Path) -> None:
    for one in backups.every(path.parent / "backups", path):
        if not one.sealed:
            assert backups.look_into(one.path).readings == 2 * kill.DAYS
    kill.check_unchanged(path)


def signalled(name: str, path: Path, after_s: float | None, number: int) -> tuple[int, str, float]:
    key = [kill.public(path)] if name == "sealed backup" else []
    return forked(path.parent, ["--store", path.name, *(WORDS | LESS)[name], *key], after_s, number)


def again_and_again(name: str, folder: Path, times: int, seed: int) -> Counter[int]:
    """Returns how often each exit code came."""
    load_all()
    job, chance = kill.JOBS.get(name) or kill.Job(lambda _: None, kill.check_unchanged), random.Random(seed)
    check = {"import": check_import, "backup": check_backup, "sealed backup": check_backup}.get(name, job.check)
    base = folder / "base"
    with open_store(base / "quietcuff.db") as store:
        kill.fill(store, kill.CUFF)
    job.begin(base / "quietcuff.db")
    (base / "log.csv").write_text(LOG)
    shutil.copytree(base, folder / "whole")
    code, said, lasts = signalled(name, folder / "whole" / "quietcuff.db", None, 0)
    assert code in (0, 3), said
    whole = code
    codes: Counter[int] = Counter()
    for turn in range(times):
        here, number = folder / f"signal-{turn}", SIGNALS[turn % len(SIGNALS)]
        shutil.copytree(base, here)
        after_s = chance.uniform(0.001, lasts)
        code, said, took = signalled(name, here / "quietcuff.db", after_s, number)
        codes[code] += 1
        lasts = took if code == whole else lasts
        where = f"{name}, {signal.Signals(number).name} after {after_s * 1000:.0f} ms, exit code {code}: {said}"
        assert "Traceback" not in said, where
        assert "unforeseen" not in said, where
        assert code in (whole, 130 if number == signal.SIGINT else -number), where
        (here / "said").unlink()
        try:
            check(here / "quietcuff.db")
        except (AssertionError, StoreError) as error:
            raise AssertionError(f"{where}{error}") from error
        shutil.rmtree(here)
    return codes


@contextmanager
def in_the_past() -> Iterator[None]:
    before, kill.NOON = kill.NOON, NOON
    try:
        yield
    finally:
        kill.NOON = before


@pytest.mark.long
@pytest.mark.parametrize("name", [*WORDS, *LESS])
@pytest.mark.timeout(3600)
def test_ended_200_times(name: str, tmp_path: Path) -> None:
    with in_the_past():
        assert sum(again_and_again(name, tmp_path, 200, seed=2).values()) == 200


def main() -> None:
    times, *names = sys.argv[1:] or ["200"]
    print(f"{'job':14} {'signals':>8} {'at work':>8} {'failed':>7}")
    for name in names or [*WORDS, *LESS]:
        with tempfile.TemporaryDirectory() as folder, in_the_past():
            codes = again_and_again(name, Path(folder), int(times), seed=3)
        print(f"{name:14} {times:>8} {codes.total() - codes[0] - codes[3]:>8} {0:>7}", flush=True)


if __name__ == "__main__":
    main()

"""Ctrl-C, SIGTERM and a terminal that closes, at random instants of the commands that write: no traceback, a sound
store, and the same command again finishes it. SIGKILL: `test_kill_jobs.py`.

python tests/faults/test_signal_jobs.py 200 [JOB…]     the long form: so many signals of each; prints a table
"""

import os
import random
import shutil
import signal
import sys
import tempfile
import time
from collections import Counter
from collections.abc import Iterator
from contextlib import contextmanager
from datetime import UTC, datetime, timedelta
from importlib import import_module
from pathlib import Path

import pytest
import writing_jobs as kill

from collector.cli.common.commands import COMMANDS
from collector.cli.main import run
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
    """The command, in a process of its own; (exit code, less than 0 of a signal; what it said; how long it took)."""
    words = list(WORDS[name])
    if name == "sealed backup":
        words.append(kill.public(path))
    said, (ready, begins) = path.with_name("said"), os.pipe()
    pid = os.fork()
    if not pid:
        os.chdir(path.parent)
        for descriptor, file in ((0, "/dev/null"), (1, "/dev/null"), (2, "said")):
            os.dup2(os.open(file, os.O_RDWR | os.O_CREAT | os.O_TRUNC), descriptor)
        sys.stdin, sys.stdout, sys.stderr = open(0), open(1, "w"), open(2, "w")  # noqa: SIM115
        for each in SIGNALS:
            signal.signal(each, signal.default_int_handler if each == signal.SIGINT else signal.SIG_DFL)
        sys.argv = ["quietcuff", "--store", path.name, *words]
        code = 1
        try:
            os.write(begins, b".")
            run()
        except SystemExit as error:
            code = error.code if isinstance(error.code, int) else 1
        except KeyboardInterrupt:  # before `run` began: where it has begun, it ends by itself
            code = 130
        except BaseException:
            import traceback

            traceback.print_exc()
        finally:
            sys.stderr.flush()
            os._exit(code)
    os.read(ready, 1)
    os.close(ready)
    os.close(begins)
    began = time.monotonic()
    if after_s is not None:
        time.sleep(after_s)
        os.kill(pid, number)
    _, status = os.waitpid(pid, 0)
    return os.waitstatus_to_exitcode(status), said.read_text(), time.monotonic() - began


def again_and_again(name: str, folder: Path, times: int, seed: int) -> Counter[int]:
    """Returns how often each exit code came."""
    for module, _ in COMMANDS.values():
        import_module(module)
    job, chance = kill.JOBS[name], random.Random(seed)
    check = {"import": check_import, "backup": check_backup, "sealed backup": check_backup}.get(name, job.check)
    base = folder / "base"
    with open_store(base / "quietcuff.db") as store:
        kill.fill(store, kill.CUFF)
    job.begin(base / "quietcuff.db")
    (base / "log.csv").write_text(LOG)
    shutil.copytree(base, folder / "whole")
    code, said, lasts = signalled(name, folder / "whole" / "quietcuff.db", None, 0)
    assert code == 0, said
    codes: Counter[int] = Counter()
    for turn in range(times):
        here, number = folder / f"signal-{turn}", SIGNALS[turn % len(SIGNALS)]
        shutil.copytree(base, here)
        after_s = chance.uniform(0.001, lasts)
        code, said, took = signalled(name, here / "quietcuff.db", after_s, number)
        codes[code] += 1
        lasts = took if code == 0 else lasts
        where = f"{name}, {signal.Signals(number).name} after {after_s * 1000:.0f} ms, exit code {code}: {said}"
        assert "Traceback" not in said, where
        assert "unforeseen" not in said, where
        assert code in (0, 130 if number == signal.SIGINT else -number), where
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


@pytest.mark.parametrize("name", WORDS)
@pytest.mark.timeout(240)
def test_ended_at_random_instants(name: str, tmp_path: Path) -> None:
    with in_the_past():
        assert again_and_again(name, tmp_path, 3, seed=1)


@pytest.mark.long
@pytest.mark.parametrize("name", WORDS)
@pytest.mark.timeout(3600)
def test_ended_200_times(name: str, tmp_path: Path) -> None:
    with in_the_past():
        assert sum(again_and_again(name, tmp_path, 200, seed=2).values()) == 200


def main() -> None:
    times, *names = sys.argv[1:] or ["200"]
    print(f"{'job':14} {'signals':>8} {'at work':>8} {'failed':>7}")
    for name in names or WORDS:
        with tempfile.TemporaryDirectory() as folder, in_the_past():
            codes = again_and_again(name, Path(folder), int(times), seed=3)
        print(f"{name:14} {times:>8} {codes.total() - codes[0]:>8} {0:>7}", flush=True)


if __name__ == "__main__":
    main()

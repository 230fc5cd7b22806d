"""SIGKILL at random instants of everything that writes: afterwards the store is sound, and doing it again finishes it.

The long form, so many kills of each, prints a table:
PYTHONPATH=tests/support python tests/faults/test_kill_jobs.py 200 [JOB…]
"""

import os
import random
import shutil
import signal
import sys
import tempfile
import time
from pathlib import Path

import pytest
from writing_jobs import CUFF, JOBS, Job, fill

from collector.store import StoreError, open_store


def killed(job: Job, path: Path, after_s: float | None) -> tuple[bool, float]:
    """Do it in a process of its own, and kill that then; returns whether it was killed, and how long it lasted."""
    began = time.monotonic()
    pid = os.fork()
    if not pid:
        code = 1
        try:
            job.do(path)
            code = 0
        finally:
            os._exit(code)
    if after_s is not None:
        time.sleep(after_s)
        os.kill(pid, signal.SIGKILL)
    _, status = os.waitpid(pid, 0)
    assert os.WIFSIGNALED(status) or os.WEXITSTATUS(status) == 0, "it failed by itself"
    return os.WIFSIGNALED(status), time.monotonic() - began


def kill_again_and_again(name: str, folder: Path, kills: int, seed: int) -> int:
    """Returns how many of the kills found it still at work."""
    job, chance = JOBS[name], random.Random(seed)
    base = folder / "base"
    with open_store(base / "quietcuff.db") as store:
        fill(store, CUFF)
    job.begin(base / "quietcuff.db")
    whole = folder / "whole"
    shutil.copytree(base, whole)
    _, lasts = killed(job, whole / "quietcuff.db", None)
    in_time = 0
    for number in range(kills):
        here = folder / f"kill-{number}"
        shutil.copytree(base, here)
        hit, took = killed(job, here / "quietcuff.db", chance.uniform(0, lasts))
        in_time += hit
        lasts = took if not hit else lasts  # the machine may have become faster meanwhile
        try:
            job.check(here / "quietcuff.db")
        except (AssertionError, StoreError) as error:
            raise AssertionError(f"{name}, kill {number} after {took * 1000:.0f} ms: {error}") from error
        shutil.rmtree(here)
    return in_time


@pytest.mark.parametrize("name", JOBS)
@pytest.mark.timeout(240)
def test_killed_at_random_instants(name: str, tmp_path: Path) -> None:
    assert kill_again_and_again(name, tmp_path, 4, seed=1) >= 1


@pytest.mark.long
@pytest.mark.parametrize("name", JOBS)
@pytest.mark.timeout(3600)
def test_killed_200_times(name: str, tmp_path: Path) -> None:
    assert kill_again_and_again(name, tmp_path, 200, seed=2) >= 100


def main() -> None:
    kills, *names = sys.argv[1:] or ["200"]
    print(f"{'job':14} {'kills':>6} {'at work':>8} {'failed':>7}")
    for name in names or JOBS:
        with tempfile.TemporaryDirectory() as folder:
            hit = kill_again_and_again(name, Path(folder), int(kills), seed=3)
        print(f"{name:14} {kills:>6} {hit:>8} {0:>7}", flush=True)


if __name__ == "__main__":
    main()

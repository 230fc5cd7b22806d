"""`loan back` at a terminal, ended at random instants while its cuff still sends: no reading is lost, no cuff is free
whose papers lack one, and the same command goes on.

The long form, so many of each signal, prints a table:
PYTHONPATH=tests/support python tests/faults/test_loan_back_ended.py 100
"""

import json
import os
import pty
import random
import select
import shutil
import signal
import sys
import tempfile
import time
from collections import Counter
from contextlib import suppress
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest
from clinicdesk import CUFF, Clinic, lent
from forked_command import load_all

from collector.cli.main import run
from collector.service.listener_lock import only_listener
from collector.store import Store, StoreError, open_store, readings, sightings, upkeep
from collector.store.people import loans

SIGNALS = (signal.SIGINT, signal.SIGTERM, signal.SIGHUP, signal.SIGKILL)
BORROWER = "B-117"
LONGEST_S = 60


def begin(folder: Path) -> None:
    """A cuff that is back since a minute and was here for a whole visit, with five readings of its borrower."""
    now = datetime.now(UTC).replace(microsecond=0)
    with open_store(folder / "store.db") as store:
        clinic = Clinic(store, folder / "before")
        clinic.at = now - timedelta(days=9)
        clinic.visit()
        assert clinic.take_back(keys="yyyyy")
        clinic.at = now - timedelta(days=8)
        lent(clinic, BORROWER)
        clinic.at = now - timedelta(minutes=1)
        loans.begin_return(store, CUFF, clinic.at)
        clinic.visit(taken=tuple(now - timedelta(days=day) for day in range(5, 0, -1)))


def sends_one_more(path: Path, number: int) -> None:
    with open_store(path) as store:
        clinic = Clinic(store, path.parent)
        clinic.at = datetime.now(UTC)
        clinic.visit(taken=(clinic.at.replace(microsecond=0) - timedelta(days=2, minutes=number),))


def loan_back(path: Path, after_s: float | None, number: int, more_s: float | None = None) -> tuple[int, str, float]:
    """Every question is answered with yes. more_s: when the cuff sends one more. As `forked_command.forked`."""
    pid, terminal = pty.fork()
    if not pid:
        sys.stdin, sys.stdout, sys.stderr = open(0), open(1, "w"), open(2, "w")  # noqa: SIM115
        signal.signal(signal.SIGINT, signal.default_int_handler)
        sys.argv = ["quietcuff", "--store", str(path), "loan", "back", CUFF, "--folder", str(path.parent / "returns")]
        code = 1
        try:
            run()
        except SystemExit as error:
            code = error.code if isinstance(error.code, int) else 1
        except KeyboardInterrupt:  # before `run` began
            code = 130
        finally:
            os._exit(code)
    began, said, answered = time.monotonic(), "", 0
    with only_listener(path):
        while True:
            waited = time.monotonic() - began
            assert waited < LONGEST_S, said
            if more_s is not None and waited >= more_s:
                more_s = sends_one_more(path, 1)
            if after_s is not None and waited >= after_s:
                after_s = os.kill(pid, number)
            if not select.select([terminal], [], [], 0.005)[0]:
                continue
            try:
                said += os.read(terminal, 4096).decode()
            except OSError:  # nobody is at the other end any more
                break
            if said.count("(y/n)") > answered:
                answered += 1
                os.write(terminal, b"y")
    lasted = time.monotonic() - began
    os.close(terminal)
    return os.waitstatus_to_exitcode(os.waitpid(pid, 0)[1]), said, lasted


class _Undone(Exception):
    pass


def may_be_lent(store: Store) -> bool:
    """Tried, and taken back. A record that came once it was free has it looked after again."""
    try:
        with store.transaction():
            loans.lend(store, CUFF, "B-118", ("any",), datetime.now(UTC))
            raise _Undone
    except _Undone:
        return True
    except StoreError:  # `lend` says why
        return False


def free(path: Path, where: str) -> bool:
    """Whether the cuff may be lent. If so, all that stands in the store stands in the borrower's papers."""
    with open_store(path) as store:
        assert (upkeep.integrity(store), sightings.miscounted(store)) == ([], 0), where
        there = {one.reading_id for one in readings.select(store) if one.person == BORROWER}
        available = may_be_lent(store)
    assert len(there) in (5, 6), where
    if available:
        (papers,) = path.parent.glob(f"returns/{BORROWER}-*")
        lines = (papers / "readings.ndjson").read_text("utf-8").splitlines()
        assert {json.loads(line)["reading_id"] for line in lines} == there, where
        assert {"report.html", "readings.csv"} <= {file.name for file in papers.iterdir()}, where
    return available


def again_and_again(folder: Path, times: int, seed: int, signals: tuple[signal.Signals, ...] = SIGNALS) -> Counter[str]:
    """Returns how often each of the signals found it at work."""
    load_all()
    chance = random.Random(seed)
    begin(folder / "base")
    shutil.copytree(folder / "base", folder / "whole")
    code, said, lasts = loan_back(folder / "whole" / "store.db", None, 0)
    assert code == 0, said
    assert free(folder / "whole" / "store.db", said)
    found: Counter[str] = Counter()
    for turn in range(times * len(signals)):
        here, number = folder / f"ended-{turn}", signals[turn % len(signals)]
        shutil.copytree(folder / "base", here)
        path, after_s = here / "store.db", chance.uniform(0, lasts)
        more_s = chance.uniform(0, after_s) if turn % 2 else None
        code, said, took = loan_back(path, after_s, number, more_s)
        where = f"{number.name} after {after_s:.3f} s, more after {more_s}, exit code {code}: {said}"
        assert "Traceback" not in said, where
        assert code in (0, 3, 130, -number), where
        found[number.name] += code != 0
        if not free(path, where):
            code, said, _ = loan_back(path, None, 0)
            assert code == 0, where + said
            assert free(path, where + said)
        elif code == 0:
            lasts = took
        shutil.rmtree(here)
    return found


@pytest.mark.timeout(120)
def test_ended_once_by_a_signal_and_killed_once(tmp_path: Path) -> None:
    assert again_and_again(tmp_path, 1, seed=1, signals=(signal.SIGKILL, signal.SIGTERM))


@pytest.mark.long
@pytest.mark.timeout(3600)
def test_ended_100_times_by_each_signal(tmp_path: Path) -> None:
    assert again_and_again(tmp_path, 100, seed=2).total() >= 200


def main() -> None:
    times = int(sys.argv[1]) if len(sys.argv) > 1 else 100
    print(f"{'signal':8} {'times':>6} {'at work':>8} {'failed':>7}")
    for number in SIGNALS:
        with tempfile.TemporaryDirectory() as folder:
            found = again_and_again(Path(folder), times, seed=3, signals=(number,))
        print(f"{number.name:8} {times:>6} {found.total():>8} {0:>7}", flush=True)


if __name__ == "__main__":
    with suppress(KeyboardInterrupt):
        main()

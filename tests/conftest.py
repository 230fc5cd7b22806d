"""One hypothesis profile for every room, whatever is collected beside it; and how many work at once."""

import gc
import logging
import os
import sys
import time
from collections.abc import Iterator
from contextlib import suppress
from pathlib import Path
from typing import Any

import pytest
from hypothesis import HealthCheck, settings

os.environ.pop("PYTHONDONTWRITEBYTECODE", None)  # else each process that a test starts compiles all it loads anew
sys.dont_write_bytecode = False


def pytest_configure(config: pytest.Config) -> None:
    """The same examples in every run, so that a red test is the change's; `--hypothesis-seed=N` draws others.

    No deadline: a busy machine is no fault. Forty where a test says no other number, as each run of CI draws new ones.
    """
    seeded = config.getoption("--hypothesis-seed", None) is not None
    settings.register_profile(
        "quietcuff",
        deadline=None,
        max_examples=40,
        derandomize=not seeded,
        database=None,
        print_blob=seeded,
        suppress_health_check=[HealthCheck.too_slow, HealthCheck.function_scoped_fixture],
    )
    settings.load_profile("quietcuff")


MONOTONIC = time.monotonic


@pytest.hookimpl(wrapper=True)
def pytest_runtest_teardown() -> Iterator[None]:
    """A clock of a test that outlives it makes the next ones wait in earnest, twenty times as long."""
    yield
    assert time.monotonic is MONOTONIC, "a clock of this test outlives it"


BROWSED = {
    "test_browser.py": "not system",
    "test_narrow_screen.py": "not system",
    "test_report_print.py": "not system",
    "test_three_commands.py": "not long",
}
"""Files that drive a browser as a whole, with a library of 165 MB (extra `browser`), and the runs that do without."""


def pytest_ignore_collect(collection_path: Path, config: pytest.Config) -> bool | None:
    """The ordinary run leaves them out before they are read: it does without that library."""
    without = BROWSED.get(collection_path.name)
    return True if without is not None and without in config.option.markexpr else None


@pytest.hookimpl(optionalhook=True)
def pytest_xdist_auto_num_workers(config: pytest.Config) -> int:
    """For `-n auto`, one more than there are cores: some tests wait for a process; each worker collects all tests."""
    return len(os.sched_getaffinity(0)) + 1


@pytest.hookimpl(optionalhook=True)
def pytest_xdist_make_scheduler(config: pytest.Config, log: Any) -> Any:
    """Neighbours stay in one worker, which makes a module's fixtures once; one that is done takes over from others."""
    from xdist.scheduler import WorkStealingScheduling

    return WorkStealingScheduling(config, log) if config.getoption("dist") == "load" else None


def pytest_sessionstart(session: pytest.Session) -> None:
    """On a fresh clone pytest rewrites the asserts of each test file, and every worker those of all, at the same time.

    In a whole run each worker begins with its share and then finds the others' done: eleven of forty seconds' processor
    time less until the first test. Pytest's inside: where it is otherwise, each does them all as before.
    """
    worker = getattr(session.config, "workerinput", None)
    if worker is None or session.config.args_source is not pytest.Config.ArgsSource.TESTPATHS:
        return
    with suppress(ImportError, AttributeError, TypeError):
        from _pytest.assertion import rewrite

        state = session.config.stash[rewrite.assertstate_key]
        files = sorted(Path(__file__).parent.rglob("test_*.py"))
        for file in files[int(worker["workerid"].removeprefix("gw")) :: worker["workercount"]]:
            kept = rewrite.get_cache_dir(file) / (file.stem + rewrite.PYC_TAIL)
            if rewrite._read_pyc(file, kept) is None and rewrite.try_makedirs(kept.parent):
                found, code = rewrite._rewrite_test(file, session.config)
                rewrite._write_pyc(state, code, found, kept)


@pytest.fixture(autouse=True)
def clock_set_by_hand(monkeypatch: pytest.MonkeyPatch) -> None:
    """Tests live in other years than this machine, whose clock the network may keep."""
    monkeypatch.setattr("collector.service.machine_clock.set_by_network", lambda: False)


def pytest_collection_finish() -> None:
    """What was collected stays to the end: no need to look through it again and again for garbage."""
    gc.freeze()


SYSTEM_FILE = Path("/etc/quietcuff.toml")
"""By its name, not by the product's constant, which tests put elsewhere."""


def _state(file: Path) -> tuple[int, int] | None:
    try:
        found = file.stat()
    except OSError:
        return None
    return found.st_ino, found.st_mtime_ns


@pytest.fixture(autouse=True)
def system_file_untouched() -> Iterator[None]:
    """No test run writes the configuration of the machine that it runs on."""
    before = _state(SYSTEM_FILE)
    yield
    assert _state(SYSTEM_FILE) == before, f"this test wrote {SYSTEM_FILE}"


@pytest.fixture(autouse=True)
def logging_as_before() -> Iterator[None]:
    """A command that sets up its log in this process does so for itself, not for the next test."""
    root, ours = logging.getLogger(), logging.getLogger("quietcuff")
    before = root.handlers[:], root.level, ours.level
    yield
    root.handlers[:], root.level = before[:2]
    ours.setLevel(before[2])

"""Boots the lab: a real kernel, bluetoothd and D-Bus in QEMU, with virtual cuffs on virtual controllers.

A test module runs on Debian 12, or on the Debians that its SUITES names. QUIETCUFF_LAB_SUITES='trixie' in the
environment runs everything on these instead, but for a module with its ONLY_SUITE.
"""

import json
import os
import subprocess
import sys
import time
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest
from stack_lab import StackLab

Steps = dict[str, dict[str, Any]]


def pytest_generate_tests(metafunc: pytest.Metafunc) -> None:
    if "suite" in metafunc.fixturenames:
        suites = os.environ.get("QUIETCUFF_LAB_SUITES", "").split() or getattr(metafunc.module, "SUITES", ["bookworm"])
        suites = [metafunc.module.ONLY_SUITE] if hasattr(metafunc.module, "ONLY_SUITE") else suites
        metafunc.parametrize("suite", suites, indirect=True, scope="session")


@pytest.fixture(scope="session")
def suite(request: pytest.FixtureRequest) -> str:
    return str(request.param)


@pytest.fixture(scope="session")
def lab(suite: str) -> StackLab:
    return StackLab.prepared(suite)


@pytest.fixture(scope="session")
def boot(lab: StackLab, tmp_path_factory: pytest.TempPathFactory, pytestconfig: pytest.Config) -> Callable[..., Steps]:
    """Run a job of tests/stack/guest in the lab and return its steps by name; shows its progress meanwhile."""
    capture = pytestconfig.pluginmanager.getplugin("capturemanager")

    def run(job: str, seconds: int, *arguments: str) -> Steps:
        work = tmp_path_factory.mktemp(f"{job}-{lab.suite}")
        lab.write_job(work, job, *arguments)
        steps: Steps = {}
        with capture.global_and_fixture_disabled():
            process = subprocess.Popen(
                lab.command(work, seconds),
                stdout=subprocess.PIPE,
                stderr=subprocess.STDOUT,
                text=True,
                env=lab.environment,
            )
            seen = 0
            while process.poll() is None or seen < _length(work / "job.out"):
                seen = _follow(work / "job.out", seen, steps)
                time.sleep(0.5)
        said = process.communicate()[0]
        assert process.returncode == 0, (
            f"{job} in the lab on {lab.suite} ended with {process.returncode}: {said}\n"
            + "".join(
                f"== {name.name}\n{name.read_text(errors='replace')[-3000:]}\n"
                for name in (work / "job.out", *sorted(work.glob("listen*.log")))
                if name.exists()
            )
        )
        return steps

    return run


def _length(path: Path) -> int:
    return path.stat().st_size if path.exists() else 0


def _follow(path: Path, seen: int, steps: Steps) -> int:
    """Read on in the job's output: steps are kept, lines of progress shown. Whole lines only."""
    if _length(path) < seen:  # the guest is booted again: what it said before does not count
        steps.clear()
        seen = 0
    if not path.exists():
        return seen
    with path.open("rb") as file:
        file.seek(seen)
        text = file.read()
    text = text[: text.rfind(b"\n") + 1] if b"\n" in text else b""
    for line in text.decode(errors="replace").splitlines():
        if line.startswith("STEP "):
            found = json.loads(line[5:])
            steps[found.pop("step")] = found
            line = f"    {line[5:]}"
        if os.isatty(2) or "CI" in os.environ:
            print(line, file=sys.stderr, flush=True)
    return seen + len(text)

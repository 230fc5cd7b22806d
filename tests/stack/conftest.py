"""Boots the lab: a real kernel, bluetoothd and D-Bus in QEMU, with virtual cuffs on virtual controllers."""

import json
import os
import subprocess
import sys
import time
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

HERE = Path(__file__).parent
ROOT = HERE.parents[1]

Steps = dict[str, dict[str, Any]]


@pytest.fixture(scope="session")
def lab() -> Path:
    """The lab, its kernel fetched. Fails, never skips, where it cannot be had."""
    done = subprocess.run([HERE / "lab" / "prepare"], capture_output=True, text=True)
    assert done.returncode == 0, f"the lab cannot be prepared: {done.stdout}{done.stderr}"
    return HERE / "lab"


@pytest.fixture(scope="session")
def boot(lab: Path, tmp_path_factory: pytest.TempPathFactory, pytestconfig: pytest.Config) -> Callable[..., Steps]:
    """Run a job of tests/stack/guest in the lab and return its steps by name; shows its progress meanwhile."""
    capture = pytestconfig.pluginmanager.getplugin("capturemanager")

    def run(job: str, seconds: int, *arguments: str) -> Steps:
        work = tmp_path_factory.mktemp(job)
        (work / "job.sh").write_text(
            f"export PYTHONPATH={ROOT}:{HERE / 'guest'}:{ROOT / 'tests' / 'support'}\n"
            f"exec {sys.executable} -u {HERE / 'guest' / job}.py {' '.join(arguments)}\n"
        )
        steps: Steps = {}
        with capture.global_and_fixture_disabled():
            process = subprocess.Popen(
                [lab / "run", work, str(seconds)], stdout=subprocess.PIPE, stderr=subprocess.STDOUT, text=True
            )
            seen = 0
            while process.poll() is None or seen < _length(work / "job.out"):
                seen = _follow(work / "job.out", seen, steps)
                time.sleep(0.5)
        said = process.communicate()[0]
        assert process.returncode == 0, f"{job} in the lab ended with {process.returncode}: {said}\n" + "".join(
            f"== {name.name}\n{name.read_text(errors='replace')[-3000:]}\n"
            for name in (work / "job.out", *sorted(work.glob("listen*.log")))
            if name.exists()
        )
        return steps

    return run


def _length(path: Path) -> int:
    return path.stat().st_size if path.exists() else 0


def _follow(path: Path, seen: int, steps: Steps) -> int:
    """Read on in the job's output: steps are kept, lines of progress shown. Whole lines only."""
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

"""The promise on another processor: the arm64 package, installed in Debian 13 for arm64, under systemd, emulated.

One command, as root: `.venv/bin/python -m pytest -m 'stack and long' tests/stack/test_arm64.py -s`. QUIETCUFF_DEB_ARM64
names a package that was built already; else systemd/debian/build makes one. docs/install.md has its minutes.
"""

import hashlib
import os
import shutil
import subprocess
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import pytest
from stack_lab import PROMISED_VISITS, StackLab

pytestmark = [pytest.mark.stack, pytest.mark.long, pytest.mark.timeout(5400)]
ONLY_SUITE = "trixie-arm64"
ROOT = Path(__file__).parents[2]
ENVIRONMENT = ["env", "-i", "PATH=/usr/sbin:/usr/bin:/sbin:/bin", "LC_ALL=C.UTF-8", "DEBIAN_FRONTEND=noninteractive"]
Steps = dict[str, dict[str, Any]]


@contextmanager
def installed(lab: StackLab, package: Path) -> Iterator[Path]:
    """The suite's root with the package put into it by its own scripts (the processor emulated); kept once made."""
    kept = lab.kept / "installed" / hashlib.sha256(package.read_bytes()).hexdigest()[:16]
    upper, work, merged = (kept / name for name in ("upper", "work", "merged"))
    for one in (upper, work, merged):
        one.mkdir(parents=True, exist_ok=True)
    layers = f"lowerdir={lab.root},upperdir={upper},workdir={work}"
    subprocess.run(["mount", "-t", "overlay", "overlay", "-o", layers, merged], check=True)
    try:
        if not (kept / "whole").exists():
            shutil.copy(package, merged / "root/quietcuff.deb")
            install = ["chroot", merged, *ENVIRONMENT, "dpkg", "--install", "/root/quietcuff.deb"]
            done = subprocess.run(install, capture_output=True, text=True, timeout=2400)
            assert done.returncode == 0, done.stdout[-2000:] + done.stderr[-3000:]
            (kept / "whole").touch()
        yield merged
    finally:
        subprocess.run(["umount", "-l", merged], check=False)


@pytest.fixture(scope="module")
def package(tmp_path_factory: pytest.TempPathFactory) -> Path:
    if "QUIETCUFF_DEB_ARM64" in os.environ:
        return Path(os.environ["QUIETCUFF_DEB_ARM64"])
    folder = tmp_path_factory.mktemp("package")
    subprocess.run([ROOT / "systemd/debian/build", "arm64", folder], check=True, timeout=1800)
    (built,) = folder.glob("*.deb")
    return built


@pytest.fixture(scope="module")
def steps(lab: StackLab, package: Path, boot: Callable[..., Steps]) -> Steps:
    with installed(lab, package) as root, pytest.MonkeyPatch.context() as patch:
        patch.setenv("QUIETCUFF_LAB_ROOT", str(root))
        return boot("packaged", 2400)


def test_it_is_the_package_on_that_processor_under_systemd(steps: Steps) -> None:
    started = steps["started"]
    assert (started["processor"], started["first_process"]) == ("aarch64", "systemd")
    assert started["package"] == "arm64 install ok installed"
    assert started["collector"].startswith("/usr/lib/quietcuff/")
    assert started["whole"] == "running", "a unit has failed"


@pytest.mark.parametrize(("name", "count"), PROMISED_VISITS)
def test_every_record_of_a_visit_is_kept_once(steps: Steps, name: str, count: int) -> None:
    found = steps[name]
    assert (found["sent"], found["confirmed"], found["kept"]) == (count, count, count), found
    assert found["twice"] == 0 or found["wakings"] > 1, found


def test_each_reading_stands_once_and_came_through_the_witness(steps: Steps) -> None:
    found = steps["store"]
    assert found["readings"] == 18, found
    assert found["sightings"] == found["payloads"]
    assert found["sources"] == {"witness": found["payloads"]}
    assert not {"adapter", "radio", "d-bus", "witness"} & found["conditions"].keys(), found
    assert found["descriptors"] == "2"


def test_without_the_right_it_is_told_and_the_end_is_clean(steps: Steps) -> None:
    assert "CAP_NET_RAW" in steps["without the right: told"]["conditions"]["witness"]
    assert (steps["clean end"]["result"], steps["clean end"]["status"]) == ("success", "0")


def test_the_lab_can_tell_without_safeguards_the_later_visit_is_lost(steps: Steps) -> None:
    assert steps["unprotected: first visit"]["kept"] == 3
    assert steps["unprotected: later visit"]["confirmed"] == 5
    assert steps["unprotected: later visit"]["kept"] < 5

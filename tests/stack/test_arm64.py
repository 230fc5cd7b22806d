"""The promise on another processor: the arm64 package, installed in Debian 13 for arm64, under systemd, emulated.

One command, as root: `.venv/bin/python -m pytest -m 'stack and long' tests/stack/test_arm64.py -s`. QUIETCUFF_DEB_ARM64
names a package that was built already; else systemd/debian/build makes one. docs/install.md has its minutes.
"""

import os
import shutil
import subprocess
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import pytest
from stack_lab import StackLab

pytestmark = [pytest.mark.stack, pytest.mark.long, pytest.mark.timeout(5400)]
ONLY_SUITE = "trixie-arm64"
ROOT = Path(__file__).parents[2]
ENVIRONMENT = ["env", "-i", "PATH=/usr/sbin:/usr/bin:/sbin:/bin", "LC_ALL=C.UTF-8", "DEBIAN_FRONTEND=noninteractive"]
Steps = dict[str, dict[str, Any]]


@pytest.fixture(scope="module")
def installed(lab: StackLab, tmp_path_factory: pytest.TempPathFactory) -> Iterator[Path]:
    """The suite's root under an overlay, with the package installed by its own scripts (its processor emulated)."""
    folder = tmp_path_factory.mktemp("installed")
    built = os.environ.get("QUIETCUFF_DEB_ARM64")
    if built is None:
        subprocess.run([ROOT / "systemd/debian/build", "arm64", folder], check=True, timeout=1800)
        (built,) = map(str, folder.glob("*.deb"))
    upper, work, merged = (folder / name for name in ("upper", "work", "merged"))
    for one in (upper, work, merged):
        one.mkdir()
    layers = f"lowerdir={lab.root},upperdir={upper},workdir={work}"
    subprocess.run(["mount", "-t", "overlay", "overlay", "-o", layers, merged], check=True)
    try:
        shutil.copy(built, merged / "root/quietcuff.deb")
        install = ["chroot", merged, *ENVIRONMENT, "dpkg", "--install", "/root/quietcuff.deb"]
        done = subprocess.run(install, capture_output=True, text=True, timeout=1800)
        assert done.returncode == 0, done.stdout[-2000:] + done.stderr[-3000:]
        yield merged
    finally:
        subprocess.run(["umount", "-l", merged], check=False)


@pytest.fixture(scope="module")
def steps(installed: Path, boot: Callable[..., Steps]) -> Iterator[Steps]:
    with pytest.MonkeyPatch.context() as patch:
        patch.setenv("QUIETCUFF_LAB_ROOT", str(installed))
        yield boot("packaged", 2400)


def test_it_is_the_package_on_that_processor_under_systemd(steps: Steps) -> None:
    started = steps["started"]
    assert (started["processor"], started["first_process"]) == ("aarch64", "systemd")
    assert started["package"] == "arm64 install ok installed"
    assert started["collector"].startswith("/usr/lib/quietcuff/")
    assert started["whole"] == "running", "a unit has failed"


@pytest.mark.parametrize(
    ("name", "count"),
    [
        ("first visit", 3),
        ("later visit", 5),
        ("after listen started again", 5),
        ("first connection after bluetoothd started again", 5),
        ("without the right: first visit", 3),
        ("without the right: later visit", 5),
    ],
)
def test_every_record_of_a_visit_is_kept_once(steps: Steps, name: str, count: int) -> None:
    found = steps[name]
    assert (found["sent"], found["confirmed"], found["kept"]) == (count, count, count), found
    assert found["twice"] == 0 or found["wakings"] > 1, found


def test_each_reading_stands_once_and_came_through_the_witness(steps: Steps) -> None:
    found = steps["store"]
    assert found["readings"] == 18, found
    assert found["sightings"] == found["payloads"]
    assert found["sources"] == {"witness": found["payloads"]}
    assert found["conditions"] == {}
    assert found["descriptors"] == "2"


def test_without_the_right_it_is_told_and_the_end_is_clean(steps: Steps) -> None:
    assert "CAP_NET_RAW" in steps["without the right: told"]["conditions"]["witness"]
    assert (steps["clean end"]["result"], steps["clean end"]["status"]) == ("success", "0")


def test_the_lab_can_tell_without_safeguards_the_later_visit_is_lost(steps: Steps) -> None:
    assert steps["unprotected: first visit"]["kept"] == 3
    assert steps["unprotected: later visit"]["confirmed"] == 5
    assert steps["unprotected: later visit"]["kept"] < 5

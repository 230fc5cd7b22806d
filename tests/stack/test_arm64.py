"""On another processor: the arm64 package, installed in Debian 13 for arm64, keeps the promise under systemd, emulated.

First what its scripts refuse and ask, in that root without a systemd.

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
from older_package import older
from stack_lab import PROMISED_VISITS, StackLab

pytestmark = [pytest.mark.stack, pytest.mark.long, pytest.mark.timeout(5400)]
ONLY_SUITE = "trixie-arm64"
ROOT = Path(__file__).parents[2]
ENVIRONMENT = ["env", "-i", "PATH=/usr/sbin:/usr/bin:/sbin:/bin", "LC_ALL=C.UTF-8", "DEBIAN_FRONTEND=noninteractive"]
AS_ITS_USER = ("runuser", "-u", "quietcuff", "--")
STORE = "/var/lib/quietcuff/quietcuff.db"
Steps = dict[str, dict[str, Any]]


@contextmanager
def layered(lower: str, kept: Path) -> Iterator[Path]:
    """A root over others: what changes in it lies in `kept`."""
    upper, work, merged = (kept / name for name in ("upper", "work", "merged"))
    for one in (upper, work, merged):
        one.mkdir(parents=True, exist_ok=True)
    layers = f"lowerdir={lower},upperdir={upper},workdir={work}"
    subprocess.run(["mount", "-t", "overlay", "overlay", "-o", layers, merged], check=True)
    try:
        yield merged
    finally:
        subprocess.run(["umount", "-l", merged], check=False)


def inside(root: Path, *command: str, timeout: float = 900) -> subprocess.CompletedProcess[str]:
    """In that root, its processor emulated; no systemd runs."""
    enter = [
        "unshare",
        "--mount",
        "--pid",
        "--fork",
        f"--mount-proc={root}/proc",
        "chroot",
        root,
        *ENVIRONMENT,
        *command,
    ]
    return subprocess.run(enter, capture_output=True, text=True, timeout=timeout)


def ok(root: Path, *command: str, timeout: float = 900) -> str:
    done = inside(root, *command, timeout=timeout)
    assert done.returncode == 0, (command, done.stdout[-2000:], done.stderr[-3000:])
    return done.stdout


@pytest.fixture(scope="module")
def installed(lab: StackLab, package: Path) -> Path:
    """The folder where the suite's root is kept with the package put into it by its own scripts: made once."""
    kept = lab.kept / "installed" / hashlib.sha256(package.read_bytes()).hexdigest()[:16]
    if not (kept / "whole").exists():
        with layered(str(lab.root), kept) as root:
            shutil.copy(package, root / "root/quietcuff.deb")
            ok(root, "dpkg", "--install", "/root/quietcuff.deb", timeout=2400)
        (kept / "whole").touch()
    return kept


@pytest.fixture(scope="module")
def package(tmp_path_factory: pytest.TempPathFactory) -> Path:
    if "QUIETCUFF_DEB_ARM64" in os.environ:
        return Path(os.environ["QUIETCUFF_DEB_ARM64"])
    folder = tmp_path_factory.mktemp("package")
    subprocess.run([ROOT / "systemd/debian/build", "arm64", folder], check=True, timeout=1800)
    (built,) = folder.glob("*.deb")
    return built


@pytest.fixture
def household(lab: StackLab, installed: Path, tmp_path: Path) -> Iterator[Path]:
    """The installed root, and a store in it with one person; thrown away afterwards."""
    with layered(f"{installed / 'upper'}:{lab.root}", tmp_path / "household") as root:
        ok(root, *AS_ITS_USER, "quietcuff", "person", "add", "anna")
        yield root


def test_a_downgrade_below_the_store_is_refused_in_one_line(package: Path, household: Path) -> None:
    older(package, household / "root/older.deb", "0.0.9", schemas=1)
    before = ok(household, "sha256sum", "/usr/lib/quietcuff/pyvenv.cfg", STORE)
    refused = inside(household, "dpkg", "--install", "/root/older.deb")
    assert refused.returncode != 0
    (told,) = (line for line in refused.stderr.splitlines() if "cannot read the store" in line)
    assert told.startswith("quietcuff 0.0.9 "), told
    assert ok(household, "sha256sum", "/usr/lib/quietcuff/pyvenv.cfg", STORE) == before
    state = ok(household, "dpkg-query", "-W", "-f", "${Status} ${Version}", "quietcuff")
    assert state.startswith("install ok installed"), state
    assert "0.0.9" not in state
    assert "anna" in ok(household, *AS_ITS_USER, "quietcuff", "person", "list")


@pytest.mark.parametrize("answer", ["true", "false"])
def test_a_purge_does_what_was_answered(household: Path, answer: str) -> None:
    ok(household, "sh", "-c", f"echo 'quietcuff quietcuff/purge-readings boolean {answer}' | debconf-set-selections")
    ok(household, "dpkg", "--remove", "quietcuff")
    assert (household / STORE[1:]).stat().st_size > 0
    assert (household / "etc/quietcuff.toml").exists()
    assert not (household / "usr/lib/quietcuff").exists()
    purged = inside(household, "dpkg", "--purge", "quietcuff")
    assert purged.returncode == 0, purged.stderr
    assert not (household / "etc/quietcuff.toml").exists()
    assert (household / STORE[1:]).exists() is (answer == "false")
    assert ("stay in /var/lib/quietcuff" in purged.stderr) is (answer == "false")


@pytest.fixture(scope="module")
def steps(lab: StackLab, installed: Path, boot: Callable[..., Steps]) -> Steps:
    with layered(str(lab.root), installed) as root, pytest.MonkeyPatch.context() as patch:
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

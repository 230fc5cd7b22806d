"""The pins follow the dependencies, each with its hashes: an install is the same tomorrow, and nothing slips in."""

import re
import shutil
import subprocess
import sys
import tomllib
from pathlib import Path

import pytest
from packaging.requirements import Requirement
from packaging.utils import canonicalize_name

ROOT = Path(__file__).parents[2]
PROJECT = tomllib.loads((ROOT / "pyproject.toml").read_text("utf-8"))["project"]
LOCK = (ROOT / "systemd/debian/lock").read_text("utf-8")
BLOCKS = re.split(r"\n(?=\S)", (ROOT / "systemd/debian/requirements.txt").read_text("utf-8"))
PINS = [block for block in BLOCKS if "==" in block and not block.startswith("#")]
EXTRAS = re.findall(r"--extra (\w+)", LOCK)
DIRECT = [
    line
    for line in (*PROJECT["dependencies"], *(line for one in EXTRAS for line in PROJECT["optional-dependencies"][one]))
    if not line.startswith("quietcuff[")
]
FOR_WORK_ON_IT = {"test", "browser", "lint", "data"}


@pytest.mark.parametrize("wanted", DIRECT)
def test_a_dependency_is_pinned_within_its_bounds(wanted: str) -> None:
    """Red after a change of the dependencies: run systemd/debian/lock again."""
    need = Requirement(wanted)
    versions = [
        pin.specifier
        for pin in (Requirement(block.split(" \\")[0]) for block in PINS)
        if canonicalize_name(pin.name) == canonicalize_name(need.name)
    ]
    assert versions, need.name
    for version in versions:
        assert need.specifier.contains(str(version).removeprefix("=="))


def test_installing_says_which_extras_the_package_holds() -> None:
    page = (ROOT / "docs/install.md").read_text("utf-8")
    said = re.search(r"Inside are the extras (.+?)\. Left out are (.+?):", page, re.S)
    assert said
    inside, left_out = (set(re.findall(r"`(\w+)`", part)) for part in said.groups())
    assert inside == set(EXTRAS)
    assert inside | left_out | FOR_WORK_ON_IT == set(PROJECT["optional-dependencies"])


def test_every_pin_has_hashes() -> None:
    assert len(PINS) > 30
    assert all("--hash=sha256:" in block for block in PINS)


@pytest.mark.parametrize("wanted", PROJECT["dependencies"])
def test_core_dependencies_have_an_upper_bound(wanted: str) -> None:
    assert any(one.operator in ("<", "==", "~=") for one in Requirement(wanted).specifier), wanted


def test_what_the_build_asks_of_the_program_is_there() -> None:
    """Its one-line questions, run as it runs them; without them a package would be made with empty places."""
    build = (ROOT / "systemd/debian/build").read_text("utf-8")
    questions = re.findall(r"\"\$python\" -c '([^']+)'", build)
    assert len(questions) == 2
    for question in questions:
        done = subprocess.run([sys.executable, "-c", question], cwd=ROOT, capture_output=True, text=True)
        assert done.stdout.strip(), done.stderr


def test_the_build_says_what_it_lacks_before_it_begins(tmp_path: Path) -> None:
    for program in ("bash", "dirname", "realpath"):
        (tmp_path / program).symlink_to(str(shutil.which(program)))
    done = subprocess.run(
        [ROOT / "systemd/debian/build", "arm64", tmp_path / "out"],
        env={"PATH": str(tmp_path)},
        capture_output=True,
        text=True,
        timeout=60,
    )
    assert done.returncode == 2
    assert done.stderr.splitlines() == [
        "dh is missing: sudo apt install python3-venv debhelper dh-sequence-installsysusers help2man"
    ]

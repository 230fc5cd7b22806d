"""The source archive is whole, its own tests pass from it, and the wheel carries the units and the licence."""

import json
import re
import subprocess
import sys
import tarfile
import zipfile
from pathlib import Path

import pytest

ROOT = Path(__file__).parents[2]
OURS = ("collector", "parsers", "tests", "fixtures", "systemd", "docs")


@pytest.fixture(scope="module")
def built(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """`python -m build`, which makes the wheel from the source archive."""
    folder = tmp_path_factory.mktemp("dist")
    done = subprocess.run(
        [sys.executable, "-m", "build", "-o", folder, ROOT], capture_output=True, text=True, timeout=300
    )
    assert done.returncode == 0, done.stdout + done.stderr
    return folder


def tracked() -> set[str]:
    done = subprocess.run(
        ["git", "-C", ROOT, "ls-files", "-co", "--exclude-standard"], capture_output=True, text=True, check=True
    )
    return {line for line in done.stdout.splitlines() if (ROOT / line).exists()}


@pytest.mark.long
@pytest.mark.timeout(600)
def test_the_archive_holds_all_that_git_holds(built: Path) -> None:
    (archive,) = built.glob("*.tar.gz")
    with tarfile.open(archive) as tar:
        held = {name.partition("/")[2] for name in tar.getnames()}
    assert not tracked() - held
    strangers = {name for name in held - tracked() if name.startswith(OURS)}
    assert not strangers


@pytest.mark.long
@pytest.mark.timeout(600)
def test_tests_pass_from_the_unpacked_archive(built: Path, tmp_path: Path) -> None:
    """Rooms that read every kind of file: vectors, kept stores, units, pages."""
    (archive,) = built.glob("*.tar.gz")
    with tarfile.open(archive) as tar:
        tar.extractall(tmp_path)  # our own; Debian 12 has a Python without filters
    (home,) = tmp_path.iterdir()
    rooms = (
        "tests/standards",
        "tests/store/test_kept_stores.py",
        "tests/service/test_systemd_units.py",
        "tests/test_layers.py",
        "tests/test_pages.py",
    )
    code = "import sys, pytest; sys.path.insert(0, '.'); sys.exit(pytest.main(sys.argv[1:]))"
    done = subprocess.run(
        [sys.executable, "-c", code, "-p", "no:cacheprovider", *rooms],
        cwd=home,
        capture_output=True,
        text=True,
        timeout=500,
    )
    assert done.returncode == 0, done.stdout[-3000:]
    where = [sys.executable, "-c", "import sys; sys.path.insert(0, '.'); import parsers; print(parsers.__path__[0])"]
    assert str(home) in subprocess.run(where, cwd=home, capture_output=True, text=True, check=True).stdout


@pytest.mark.long
@pytest.mark.timeout(600)
def test_the_wheel_carries_units_and_licence(built: Path) -> None:
    (wheel,) = built.glob("*.whl")
    with zipfile.ZipFile(wheel) as zipped:
        names = zipped.namelist()
        (metadata,) = (zipped.read(name).decode() for name in names if name.endswith("/METADATA"))
    for unit in (ROOT / "systemd").iterdir():
        if unit.is_file():
            assert any(name.endswith(f"data/share/quietcuff/systemd/{unit.name}") for name in names), unit.name
    assert any(name.endswith("licenses/docs/LICENSE.txt") for name in names)
    assert any(name.endswith("collector/py.typed") for name in names)
    assert not [name for name in names if name.startswith(("tests/", "docs/"))]
    assert "License-Expression: Apache-2.0" in metadata
    assert "Author: quietcuff contributors" in metadata


@pytest.mark.long
@pytest.mark.timeout(600)
def test_the_bill_of_materials_names_every_pin(tmp_path: Path) -> None:
    """By the command of docs/SECURITY.md, from the pins: each library with its version and hashes."""
    page = (ROOT / "docs/SECURITY.md").read_text("utf-8")
    (line,) = (line for line in page.splitlines() if "cyclonedx-py requirements" in line)
    program, *words = line.replace("sbom-pins.json", str(tmp_path / "sbom.json")).split()
    command = [sys.executable, "-m", "cyclonedx_py", *words]
    assert Path(program).name == "cyclonedx-py"
    done = subprocess.run(command, cwd=ROOT, capture_output=True, text=True, timeout=500)
    assert done.returncode == 0, done.stderr
    components = json.loads((tmp_path / "sbom.json").read_text("utf-8"))["components"]
    pins = re.findall(r"^([\w.-]+)==", (ROOT / "systemd/debian/requirements.txt").read_text("utf-8"), re.M)
    assert {one["name"] for one in components} == set(pins)
    assert all(one["version"] for one in components)

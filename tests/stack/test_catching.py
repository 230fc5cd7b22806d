"""How soon a new cuff is through over BlueZ, and who is caught that advertises for three seconds only.

A long form; `-s` prints what docs/performance.md states. A new cuff's visits are compared with those before they
were made short; BEFORE names another commit for that.
"""

import json
import os
import statistics
import subprocess
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

pytestmark = [pytest.mark.stack, pytest.mark.long, pytest.mark.timeout(2400)]
SUITES = ("bookworm", "trixie")
CUFFS = 20
ROOT = Path(__file__).parents[2]
BEFORE = os.environ.get("BEFORE", "e39f627")
ROUNDS = int(os.environ.get("ROUNDS", "1"))


@pytest.fixture(scope="module")
def steps(boot: Callable[..., dict[str, dict[str, Any]]]) -> dict[str, dict[str, Any]]:
    return boot("catching", 1500, str(CUFFS))


@pytest.mark.parametrize("kind", ["new", "bonded"])
def test_who_advertises_for_three_seconds_is_caught(steps: dict[str, dict[str, Any]], kind: str) -> None:
    found = steps[f"three seconds: {kind}"]
    assert (found["caught"], found["of"]) == (CUFFS, CUFFS), found


@pytest.mark.parametrize("number", [1, 2])
def test_a_new_cuff_is_through_at_each_of_its_first_three_visits(steps: dict[str, dict[str, Any]], number: int) -> None:
    visits = steps[f"three visits of new cuff {number}"]["visits"]
    assert all(visit["confirmed_s"] for visit in visits), visits


def test_the_first_three_visits_of_new_cuffs_beside_those_of_before(
    boot: Callable[..., dict[str, dict[str, Any]]], suite: str
) -> None:
    """Both trees in turn, two new cuffs each time. Which is sooner is printed; that all came is asserted."""
    before = ROOT / "build" / "before"  # the guest sees the project's own folder
    before.mkdir(parents=True, exist_ok=True)
    archive = subprocess.run(
        ["git", "-C", ROOT, "archive", BEFORE, "collector", "parsers"], check=True, capture_output=True
    )
    subprocess.run(["tar", "-x", "-C", before], input=archive.stdout, check=True)
    found: dict[str, list[list[dict[str, float]]]] = {"": [], str(before): []}
    for _ in range(ROUNDS):
        for tree, visits in found.items():
            steps = boot("catching", 900, "0", tree)
            visits.extend(steps[f"three visits of new cuff {number}"]["visits"] for number in (1, 2))
    now, then = ([_medians(visits, number) for number in range(3)] for visits in found.values())
    print(json.dumps({"suite": suite, "now": now, BEFORE: then}))
    assert all(visit["confirmed_s"] for visits in found[""] for visit in visits), found


def _medians(visits: list[list[dict[str, float]]], number: int) -> dict[str, float]:
    """Of all cuffs' visits of this number."""
    names = ("subscribed_s", "confirmed_s", "over_s")
    return {name: statistics.median(of_cuff[number].get(name, float("inf")) for of_cuff in visits) for name in names}

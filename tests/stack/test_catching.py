"""How soon a new cuff is through over BlueZ, and who is caught that advertises for three seconds only.

A long form; `-s` prints what docs/performance.md states. To compare with another tree's `listen`: the job `catching` of
tests/stack/guest takes its folder.
"""

from collections.abc import Callable
from typing import Any

import pytest

pytestmark = [pytest.mark.stack, pytest.mark.long, pytest.mark.timeout(2400)]
SUITES = ("bookworm", "trixie")
CUFFS = 20


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

"""What reaches the store over a real kernel, bluetoothd and bleak, by the real `quietcuff listen`, with its own agent.

The cuff sends as soon as the bonded link is encrypted, before anybody can have subscribed again, as the Blood
Pressure Profile allows a sensor whose configuration descriptor is remembered (Core Specification Vol 3 Part G
3.3.3.3). bluetoothd confirms every record at once, and the cuff forgets it.
"""

from collections.abc import Callable
from typing import Any

import pytest
from stack_lab import PROMISED_VISITS

pytestmark = [pytest.mark.stack, pytest.mark.timeout(2400)]
SUITES = ("bookworm", "trixie")
Steps = dict[str, dict[str, Any]]


@pytest.fixture(scope="module")
def steps(boot: Callable[..., Steps]) -> Steps:
    return boot("promise", 900)


@pytest.mark.parametrize(("name", "count"), PROMISED_VISITS)
def test_every_record_of_a_visit_is_kept_once(steps: Steps, name: str, count: int) -> None:
    found = steps[name]
    assert (found["sent"], found["confirmed"]) == (count, count), "the cuff itself did not get rid of its records"
    assert found["kept"] == count
    assert found["twice"] == 0 or found["wakings"] > 1, "sent once and stored twice"


def test_each_reading_stands_once_and_came_through_the_witness(steps: Steps) -> None:
    found = steps["store"]
    assert found["readings"] == 18
    assert found["sightings"] == found["payloads"], "what was sent again is a further sighting, never a second reading"
    assert found["sources"] == {"witness": found["payloads"]}


def test_nothing_is_complained_of_afterwards(steps: Steps) -> None:
    assert steps["store"]["conditions"] == {}


def test_listen_ends_cleanly(steps: Steps) -> None:
    assert steps["clean end"]["status"] == 0


def test_one_line_says_what_can_be_lost_without_the_right(steps: Steps) -> None:
    lines = steps["without the right: told"]["lines"]
    assert len(lines) == 1
    assert "CAP_NET_RAW" in lines[0]
    assert "systemd" in lines[0]  # the remedy
    assert "CAP_NET_RAW" in steps["without the right: told"]["conditions"]["witness"]


def test_the_lab_can_tell_without_safeguards_the_later_visit_is_lost(steps: Steps) -> None:
    """If this ever passes with 5 of 5, the lab no longer shows what the tests above are about."""
    assert steps["unprotected: first visit"]["kept"] == 3
    later = steps["unprotected: later visit"]
    assert later["confirmed"] == 5
    assert later["kept"] < 5

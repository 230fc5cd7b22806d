"""Digits, numbers, lost bonds and cuffs that name no service, over a real kernel and bluetoothd, by the real `listen`.

The station takes known cuffs alone (`accept = "known"`); whoever runs `cuff add` beside a cuff is played in the guest,
once at the command itself.
"""

from collections.abc import Callable
from typing import Any

import pytest

pytestmark = [pytest.mark.stack, pytest.mark.timeout(2400)]
SUITES = (pytest.param("bookworm", marks=pytest.mark.long), "trixie")
Steps = dict[str, dict[str, Any]]
WANTS_DIGITS = "wants the digits on its display"


@pytest.fixture(scope="module")
def steps(boot: Callable[..., Steps]) -> Steps:
    return boot("pairing", 1200)


def nothing_lost_nothing_twice(found: dict[str, Any]) -> None:
    assert found["measured"] == found["confirmed"] == found["kept"] == found["readings"], found
    assert (found["lost"], found["twice"]) == (0, 0), found


def test_with_nobody_there_nothing_is_taken_and_it_is_told_why(steps: Steps) -> None:
    found = steps["digits: nobody there"]
    assert found["delivered"] == 0
    assert WANTS_DIGITS in found["learned"], found


def test_wrong_digits_bring_nothing_and_are_told(steps: Steps) -> None:
    found = steps["digits: wrong ones"]
    assert found["asked"], found
    assert found["delivered"] == 0, found
    assert "digits" in found["ended"], found


def test_digits_typed_at_cuff_add_by_a_person_who_takes_time(steps: Steps) -> None:
    found = steps["digits: the right ones"]
    assert found["there"], "the command itself never asked to measure"
    nothing_lost_nothing_twice(found)
    assert (found["status"], "has delivered" in found["said"]) == (0, True), found


def test_a_bond_with_digits_holds_with_nobody_there(steps: Steps) -> None:
    nothing_lost_nothing_twice(steps["digits: later visit"])
    assert steps["digits: later visit"]["bonded"] is True


def test_a_number_is_shown_on_both_sides_and_compared(steps: Steps) -> None:
    found = steps["number compared"]
    nothing_lost_nothing_twice(found)
    assert found["asked"] is not None, found
    assert found["asked"] == found["shown"], found


def test_another_at_a_bonded_address_takes_nothing_from_the_cuff(steps: Steps) -> None:
    """Its 250/10 is in the journal where it was confirmed, and counts nowhere."""
    found = steps["borne by another"]
    assert found["bonded"] is True, found
    assert "quietcuff cuff add" in found["told"], found
    if found["confirmed"]:
        assert found["in_store"], found
        assert "bond not confirmed" in found["marks"], found
    itself = steps["borne by another: the cuff itself"]
    nothing_lost_nothing_twice(itself | {"readings": itself["readings"] - itself["others"], "twice": 0})
    assert itself["marked"] == [], "the cuff's own readings count"


def test_a_bond_is_made_anew_once_its_owner_says_so_and_its_readings_wait_for_a_last_word(steps: Steps) -> None:
    found = steps["renewed"]
    assert found["bonded"] is True, "the old one stands until then"
    assert "quietcuff cuff add" in found["told"], found
    assert len(found["marks"]) == 3, found
    assert all({"bond renewed", "bond not confirmed"} <= set(marks) for marks in found["marks"]), found
    assert not any("bond" in mark for marks in found["afterwards"] for mark in marks), found


def test_a_cuff_that_names_no_service_comes_once_its_address_is_given(steps: Steps) -> None:
    nothing_lost_nothing_twice(steps["new and names no service"])


def test_the_listener_ends_cleanly_after_all_that(steps: Steps) -> None:
    assert (steps["known only: the end"]["status"], steps["known only: the end"]["tracebacks"]) == (0, 0)

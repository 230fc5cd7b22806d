"""Faults around BlueZ on a real kernel, by the real `quietcuff listen`: nothing lost, nothing twice.

The ordinary run does each fault a time or two; `python -m pytest -m 'stack and long' tests/stack/test_faults.py -s`
does what can happen again and again more often. docs/reliability.md says what was seen.
"""

from collections.abc import Callable
from typing import Any

import pytest

pytestmark = [pytest.mark.stack, pytest.mark.timeout(3600)]
SUITES = ("bookworm", pytest.param("trixie", marks=pytest.mark.long))
Steps = dict[str, dict[str, Any]]
FAULTS = (
    "kills",
    "bluetoothd killed",
    "bluetoothd hung",
    "adapter pulled",
    "D-Bus started again",
    "no service named",
    "private address",
    "many waiting",
    "two seconds",
    "reads our clock",
    "cuff forgot",
    "we forgot",
    "bond cut off",
    "hangs up at pairing",
    "keeps no bond",
    "beside one that ignores pairing",
    "blocked",
    "chatty",
)


@pytest.fixture(scope="module")
def steps(boot: Callable[..., Steps]) -> Steps:
    return boot("faults", 1800, "2", "10")


def nothing_lost_nothing_twice(found: dict[str, Any]) -> None:
    assert "failed" not in found, found
    assert found["measured"] == found["confirmed"] == found["kept"] == found["readings"], found
    assert (found["lost"], found["twice"]) == (0, 0), found


@pytest.mark.parametrize("name", FAULTS)
def test_nothing_is_lost_and_nothing_stands_twice(steps: Steps, name: str) -> None:
    nothing_lost_nothing_twice(steps[name])


def test_kills_met_a_reader_whose_sockets_were_kept_and_no_frame_is_a_second_sighting(steps: Steps) -> None:
    found = steps["kills"]
    assert found["kills"] >= 10
    assert found["while_reading"] >= 7
    assert found["kept_open"] is True
    assert found["sources"] == {"witness": found["measured"]}
    assert found["sightings"] == found["sent"] == found["measured"]


def test_what_a_keyboard_types_never_passes_the_filter(steps: Steps) -> None:
    """The same keys are there for who looks without a filter, so there was something to keep out."""
    found = steps["chatty"]
    assert found["typed"] > 50
    assert found["seen_without_filter"] >= found["typed"]
    assert found["passed_the_filter"] == 0


def test_trouble_is_told_while_it_lasts_and_taken_back_afterwards(steps: Steps) -> None:
    assert "D-Bus" in str(steps["D-Bus started again"]["told"])
    assert "blocked" in str(steps["blocked"]["told"])
    for name in ("D-Bus started again", "blocked"):
        assert not {"adapter", "d-bus"} & steps[name]["conditions"].keys()


def test_a_private_address_is_one_cuff_and_seen_by_the_witness(steps: Steps) -> None:
    assert len(steps["private address"]["met"]) == 1
    assert steps["private address"]["witness"] is None


def test_a_cuff_that_reads_our_clock_gets_it_from_bluetoothd(steps: Steps) -> None:
    assert max(steps["reads our clock"]["behind_s"]) < 60, steps["reads our clock"]


def test_stored_records_come_on_request_and_later_from_the_newest_known_one_on(steps: Steps) -> None:
    found = steps["stored records"]
    assert found["readings"] == found["measured"] == 5, found
    assert found["asked"][0][-1] == "records 0101", "all"
    assert found["asked"][1] == ["records 0103010200"], "from the newest known one on, by its sequence number"


def test_a_lost_bond_is_told_and_made_anew(steps: Steps) -> None:
    assert steps["cuff forgot"]["told"] >= 1
    assert steps["cuff forgot"]["condition"] is None
    assert steps["we forgot"]["told"] == 1
    assert steps["cuff forgot"]["missing"] is steps["we forgot"]["missing"] is None


def test_the_window_of_a_power_cut_is_told_by_stage(steps: Steps) -> None:
    assert steps["end"]["window_ms"].keys() == {"all", "until read", "until written"}


def test_a_link_on_which_bluez_is_deaf_is_made_anew(steps: Steps) -> None:
    assert steps["bluetoothd hung"]["made_anew"] >= 1


def test_a_cuff_that_ignores_pairing_holds_up_no_other(steps: Steps) -> None:
    """5.66 is deaf to advertisements for as long as a pairing hangs, 30 s where it is not called off."""
    assert max(steps["beside one that ignores pairing"]["waits"]) < 20, steps["beside one that ignores pairing"]


@pytest.mark.long
def test_two_adapters_make_one_visit_at_a_time_and_one_bond(boot: Callable[..., Steps]) -> None:
    found = boot("faults", 900, "1", "1", "two-adapters")["two adapters"]
    nothing_lost_nothing_twice(found)
    assert found["bonds"] == 1, found
    assert len(found["met"]) == 1, found
    assert found["missing"] is None, found
    assert not [topic for topic in found["conditions"] if topic.startswith("bond")], found


def test_the_listener_ends_cleanly_after_all_that(steps: Steps) -> None:
    assert (steps["end"]["status"], steps["end"]["tracebacks"]) == (0, 0)


@pytest.mark.long
def test_each_fault_again_and_again(boot: Callable[..., Steps]) -> None:
    steps = boot("faults", 3500, "10", "60")
    for name in FAULTS:
        nothing_lost_nothing_twice(steps[name])
    assert steps["kills"]["kills"] >= 60
    assert steps["kills"]["sightings"] == steps["kills"]["measured"]

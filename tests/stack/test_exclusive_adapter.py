"""The exclusive radio against a real kernel: the user channel is taken, worked and given back."""

from collections.abc import Callable
from typing import Any

import pytest

pytestmark = [pytest.mark.stack, pytest.mark.timeout(1200)]
Steps = dict[str, dict[str, Any]]


@pytest.fixture(scope="module")
def steps(boot: Callable[..., Steps]) -> Steps:
    return boot("exclusive", 900)


def test_the_adapter_is_taken_from_bluetoothd_and_given_back(steps: Steps) -> None:
    assert steps["before"]["bluez"] is True
    assert steps["while it listens"]["bluez"] is False
    assert steps["given back"]["bluez"] is True


@pytest.mark.parametrize(("name", "count"), [("first visit", 3), ("later visit", 5), ("after listen was killed", 5)])
def test_every_record_of_a_visit_is_kept_once(steps: Steps, name: str, count: int) -> None:
    found = steps[name]
    assert (found["sent"], found["confirmed"]) == (count, count)
    assert (found["kept"], found["twice"]) == (count, 0)


def test_the_store_in_the_end(steps: Steps) -> None:
    assert steps["store"]["readings"] == steps["store"]["payloads"] == 13
    assert steps["store"]["sources"] == {"exclusive": 13}
    assert steps["store"]["conditions"] == {}
    assert steps["clean end"]["status"] == 0
    assert steps["clean end"]["seconds"] <= 5.0


@pytest.mark.long
def test_a_trial_takes_the_adapter_and_bluetoothd_has_it_on_again(boot: Callable[..., Steps]) -> None:
    found = boot("exclusive", 900, "trial")["trial"]
    assert found["status"] == 0, found
    assert "hci0 passed its trial" in found["said"]
    assert "the exclusive radio is recommended" in found["said"]
    assert found["powered"] is True

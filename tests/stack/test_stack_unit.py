"""`systemd/quietcuff.service` as it is, under a real systemd, beside a real kernel and bluetoothd."""

from collections.abc import Callable
from typing import Any

import pytest

SECONDS = 900  # software emulation on a machine that others use too

pytestmark = pytest.mark.stack


def every_record_was_kept_once(steps: dict[str, dict[str, Any]], *names: str) -> None:
    for name in names:
        step = steps[name]
        assert step["confirmed"] == step["kept"] == step["sent"], step
        assert step["twice"] == 0, step


@pytest.fixture(scope="module")
def steps(boot: Callable[..., dict[str, dict[str, Any]]]) -> dict[str, dict[str, Any]]:
    """What the guest saw, step by step."""
    found = boot("unit", SECONDS)
    assert "done" in found
    return found


@pytest.mark.long
@pytest.mark.timeout(SECONDS + 1500)
def test_where_bluetoothd_hangs_the_watchdog_starts_it_again(boot: Callable[..., dict[str, dict[str, Any]]]) -> None:
    found = boot("unit", SECONDS + 800, "hang")
    assert int(found["hung"]["restarts"]) >= 1
    every_record_was_kept_once(found, "before", "afterwards")


@pytest.mark.long
@pytest.mark.timeout(SECONDS + 700)
def test_where_bluetoothd_crashes_it_is_started_again(boot: Callable[..., dict[str, dict[str, Any]]]) -> None:
    found = boot("unit", SECONDS, "crash")
    assert found["after a crash"]["another"] is True
    real = found["after a real crash"]  # of 5.66: a link that ends before the cuff has answered the first request
    assert real["cuts"] >= 2, "it never left so early"
    assert real["back"] is True, real
    every_record_was_kept_once(found, "before", "after a crash", "after a real crash")


@pytest.mark.timeout(SECONDS + 700)
def test_it_runs_with_one_right_in_the_namespaces_that_the_witness_needs(steps: dict[str, dict[str, Any]]) -> None:
    started = steps["started"]
    only_net_raw = f"{1 << 13:016x}"  # CAP_NET_RAW is 13: linux/capability.h
    assert started["rights"]["effective"] == started["rights"]["bounding"] == only_net_raw
    assert started["rights"]["seccomp"] == "2"  # a filter: proc(5)
    assert started["rights"]["no_new_privs"] == "1"
    assert started["rights"]["uid"] != 0
    assert started["shares"] == {"net": True, "user": True}
    assert (started["state"], started["store"]) == ("0o700", "0o600")


def test_every_record_is_kept_once(steps: dict[str, dict[str, Any]]) -> None:
    every_record_was_kept_once(steps, "first visit", "later visit")
    assert set(steps["conditions"]["sources"]) == {"witness"}
    assert steps["conditions"]["descriptors"] == "2"


def test_its_memory_fits_a_small_machine(steps: dict[str, dict[str, Any]]) -> None:
    """Over a real BlueZ, beside a bare bleak scanner. Limits: docs/performance.md."""
    memory = steps["memory"]
    assert memory["service_mb"] <= 60, memory


def test_killed_it_loses_nothing_that_is_said_meanwhile(steps: dict[str, dict[str, Any]]) -> None:
    down = steps["while it was down"]
    assert down["confirmed_when_killed"] < down["sent"], "nothing was left to say"
    assert down["confirmed"] == down["kept"] == down["sent"], down
    assert down["twice"] == 0
    assert steps["back again"]["restarts"] == "1"
    assert steps["back again"]["descriptors"] == "2"


def test_it_stops_cleanly(steps: dict[str, dict[str, Any]]) -> None:
    assert steps["stopped"]["result"] == "success"
    assert steps["stopped"]["status"] == "0"

"""What D-Bus shows against what the witness saw: one for one, told once, and not remembered for ever."""

import pytest

from collector.radio.bluez.monitor import crosscheck
from collector.radio.bluez.monitor.crosscheck import KEPT_S, CrossCheck

CUFF, OTHER = "C0:FF:EE:00:00:01", "C0:FF:EE:00:00:02"
KEY = (CUFF, 0x2A35, b"one")


def test_what_both_saw_is_not_missed() -> None:
    check = CrossCheck()
    check.witnessed(*KEY)
    check.on_bus(*KEY)
    assert check.missed() == []


@pytest.mark.parametrize("other", [(OTHER, 0x2A35, b"one"), (CUFF, 0x2A36, b"one"), (CUFF, 0x2A35, b"two")])
def test_what_only_the_bus_saw_is_missed_and_told_once(other: tuple[str, int, bytes]) -> None:
    check = CrossCheck()
    check.witnessed(*KEY)
    check.on_bus(*other)
    assert check.missed() == [other]
    assert check.missed() == []


def test_each_witnessed_payload_stands_for_one_on_the_bus() -> None:
    """A cuff that sends equal values: two on the bus, one witnessed, so one is missed."""
    check = CrossCheck()
    check.witnessed(*KEY)
    check.on_bus(*KEY)
    check.on_bus(*KEY)
    assert check.missed() == [KEY]
    check.on_bus(*KEY)
    assert check.missed() == [KEY], "the one that was witnessed is used up"


def test_the_witness_may_be_ahead_by_so_much_and_no_more(monkeypatch: pytest.MonkeyPatch) -> None:
    now = 1000.0
    monkeypatch.setattr(crosscheck.time, "monotonic", lambda: now)
    check = CrossCheck()
    check.witnessed(*KEY)
    now += KEPT_S
    assert check.missed() == []
    check.on_bus(*KEY)
    assert check.missed() == []
    check.witnessed(*KEY)
    now += KEPT_S + 1
    check.missed()
    check.on_bus(*KEY)
    assert check.missed() == [KEY]

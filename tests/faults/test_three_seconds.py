"""A cuff that advertises for three seconds is caught, new and bonded: every second with nothing lost on the air, or ten
times a second with half of it lost.

The ordinary run wakes two of each; `python -m pytest -m long tests/faults/test_three_seconds.py` twenty, the figure in
docs/performance.md.
"""

import random
from dataclasses import replace
from pathlib import Path

import pytest
from air import fill, room
from kept import compared, store_sink

from collector.radio.virtual import Behaviour, VirtualCuff
from collector.radio.virtual.device import CentralController
from collector.service.config.settings import Accept

BRIEF = Behaviour(advertises_s=3.0, lingers_s=0.05)
PACES = pytest.mark.parametrize(("interval_ms", "lost"), [(100.0, 0.5), (1000.0, 0.0)])
TIMES = pytest.mark.parametrize("times", [2, pytest.param(20, marks=pytest.mark.long)])


@pytest.fixture(autouse=True)
def lossy_air(monkeypatch: pytest.MonkeyPatch, lost: float) -> None:
    """As in a room full of other radios."""
    luck, hear = random.Random(7), CentralController.on_advertising_pdu

    def hear_some(self: CentralController, pdu) -> None:
        if luck.random() >= lost:
            hear(self, pdu)

    monkeypatch.setattr(CentralController, "on_advertising_pdu", hear_some)


def brief(number: int, interval_ms: float) -> VirtualCuff:
    return VirtualCuff(f"Brief {number}", f"F0:00:00:00:01:{number:02X}", replace(BRIEF, interval_ms=interval_ms))


@TIMES
@PACES
async def test_a_new_cuff_each_time(tmp_path: Path, times: int, interval_ms: float, lost: float) -> None:
    cuffs = [brief(number, interval_ms) for number in range(times)]
    with store_sink(tmp_path) as sink:
        async with room(*cuffs, sink=sink) as air:
            for cuff in cuffs:
                fill(cuff, 1)
                await air.wake(cuff)
        caught = sum(not cuff.memory.records for cuff in cuffs)
        assert compared(sink.store, cuffs).good
    print(f"\nevery {interval_ms:.0f} ms, {lost:.0%} lost: {caught} of {times} new cuffs")
    assert caught == times


@TIMES
@PACES
@pytest.mark.parametrize("new_ones", [True, False], ids=["by scan", "by accept list"])
async def test_a_bonded_one_each_time(
    tmp_path: Path, new_ones: bool, times: int, interval_ms: float, lost: float
) -> None:
    cuff, caught = brief(0, interval_ms), 0
    with store_sink(tmp_path) as sink:
        async with room(cuff, sink=sink) as air:
            await air.wake()  # for the bond
            sink.accept = Accept.ANY if new_ones else Accept.KNOWN
            for _ in range(times):
                fill(cuff, 1)
                await air.wake()
                caught += not cuff.memory.records
        assert compared(sink.store, [cuff]).good
    print(f"\nevery {interval_ms:.0f} ms, {lost:.0%} lost: {caught} of {times} visits of a bonded cuff")
    assert caught == times

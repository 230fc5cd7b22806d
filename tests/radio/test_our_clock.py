"""Cuffs that set their clock by the collector's: it serves Current Time, unless its own clock cannot be right."""

from datetime import datetime, timedelta

import pytest
from air import fill, room

from collector.radio.plan import VisitPlan
from collector.radio.virtual import Behaviour, VirtualCuff


@pytest.mark.parametrize("right", [True, False])
async def test_a_cuff_reads_our_clock(right: bool, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("collector.radio.own_clock.trustworthy", lambda now: right)
    cuff = VirtualCuff(behaviour=Behaviour(reads_our_clock=True, lingers_s=0.1), clock_ahead=timedelta(hours=3))
    fill(cuff, 2)
    async with room(cuff, plan=VisitPlan()) as air:
        await air.wake()
    assert air.sink.payloads == cuff.measured
    ahead = abs(cuff.clock() - datetime.now())
    assert ahead < timedelta(minutes=1) if right else ahead > timedelta(hours=2)

"""How much the exclusive radio asks of the room: scan responses only where a new cuff may be among who answers."""

import asyncio

import pytest
from air import NoteSink, fill, room

from collector.radio.exclusive import radio
from collector.radio.virtual import Behaviour, VirtualCuff


def asks(air) -> bool:
    """Whether the scan that is on is an active one (Core Vol 6 Part B 4.4.3.2)."""
    device = air.radio._device
    assert device.host.controller.le_scan_enable
    return not device.scanning_is_passive


async def test_nobody_is_made_to_answer_while_no_new_cuff_is_welcome(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(radio, "NEWS_S", 0.02)
    cuff = VirtualCuff(behaviour=Behaviour(lingers_s=0.05, private_address=True))  # else no scan is on at all
    sink = NoteSink()
    async with room(cuff, sink=sink) as air:
        assert asks(air), "a new cuff may name its service in its scan response alone"
        fill(cuff, 1)
        await air.wake()
        sink.accept = lambda address: address == cuff.address
        await asyncio.sleep(0.2)
        assert not asks(air)
        fill(cuff, 1)
        await air.wake()
        assert len(sink.payloads) == 2, "and the known one comes through"
        sink.names = frozenset({"Kitchen"})
        await asyncio.sleep(0.2)
        assert asks(air), "a name is awaited"


async def test_it_begins_so_too() -> None:
    sink = NoteSink()
    sink.accept = lambda address: False
    async with room(VirtualCuff(), sink=sink) as air:
        assert not asks(air)

"""Cuffs that are hard to recognise: they name no service, or change their address and keep no bond."""

from dataclasses import replace
from pathlib import Path

import pytest
from air import NoteSink, fill, room
from kept import store_sink

from collector.radio.facts import KnownCuff
from collector.radio.virtual import Behaviour, VirtualCuff
from collector.store import audit, readings
from collector.store.journal import cuffs

MUTE = Behaviour(lingers_s=0.05, lists_service=False, advertises_s=0.6)


async def test_a_cuff_that_names_no_service_is_met_once_its_address_is_added(monkeypatch: pytest.MonkeyPatch) -> None:
    """Also while the radio runs: another process adds it."""
    monkeypatch.setattr("collector.radio.exclusive.radio.NEWS_S", 0.05)
    cuff = VirtualCuff(behaviour=MUTE)
    fill(cuff, 2)
    async with room(cuff) as air:
        await air.wake()
        assert air.sink.payloads == []
        air.sink.remember(KnownCuff(cuff.address, bonded=False))
        await air.wake()
    assert air.sink.payloads == cuff.measured


async def test_a_cuff_that_names_no_service_is_met_by_the_name_it_calls_itself(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("collector.radio.exclusive.radio.NEWS_S", 0.05)
    cuff, other = VirtualCuff("Cuff by name", behaviour=MUTE), VirtualCuff("Another", "F0:F1:F2:F3:F4:F6", MUTE)
    fill(cuff, 2)
    fill(other, 1)
    sink = NoteSink()
    async with room(cuff, other, sink=sink) as air:
        sink.names = frozenset({"Cuff by name"})
        await air.wake()
    assert sink.payloads == cuff.measured


@pytest.mark.parametrize("system_id", [False, True])
async def test_a_cuff_without_bond_that_changes_its_address_is_one_cuff(tmp_path: Path, system_id: bool) -> None:
    """By its serial number, or its System ID; a record that comes twice is one reading."""
    device = {0x2A24: b"VC-1", **({0x2A23: b"\x01\x02\x03\xfe\xff\x04\x05\x06"} if system_id else {0x2A25: b"A-4711"})}
    behaviour = Behaviour(
        pairing=False, asks_for_security=False, refuses_pairing=True, private_address=True, lingers_s=0.6, device=device
    )
    cuff = VirtualCuff(behaviour=behaviour)
    with store_sink(tmp_path) as sink:
        async with room(cuff, sink=sink) as air:
            for number in range(4):
                fill(cuff, 1)
                if number:
                    cuff.store(cuff.measured[-2])  # once more, under another address
                await air.wake()
        (one,) = cuffs.every(sink.store)
        assert one.readings == 4
        assert {reading.payload for reading in readings.select(sink.store)} == {one.hex() for one in cuff.measured}
        assert len({reading.cuff for reading in readings.select(sink.store)}) == 1
        assert sum(change.what == "cuffs united" for change in audit.changes(sink.store)) == 3


async def test_two_cuffs_that_say_too_little_of_themselves_stay_two(tmp_path: Path) -> None:
    behaviour = Behaviour(
        pairing=False, asks_for_security=False, refuses_pairing=True, private_address=True, lingers_s=0.6,
        device={0x2A24: b"VC-1", 0x2A25: b"0000"},
    )  # fmt: skip
    one, two = VirtualCuff(behaviour=behaviour), VirtualCuff("Other", "F0:F1:F2:F3:F4:F6", replace(behaviour))
    fill(one, 1)
    fill(two, 1)
    with store_sink(tmp_path) as sink:
        async with room(one, two, sink=sink) as air:
            await air.wake()
        assert len(cuffs.every(sink.store)) == 2

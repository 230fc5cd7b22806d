"""While no new cuff is welcome, the controller connects known ones from its accept list, and no scan is on."""

import asyncio

import pytest
from air import NoteSink, Room, fill, room
from bumble import hci

from collector.radio.exclusive import radio
from collector.radio.virtual import Behaviour, VirtualCuff
from collector.radio.virtual.device import CentralController

BRIEF = Behaviour(lingers_s=0.05)


@pytest.fixture(autouse=True)
def soon(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(radio, "NEWS_S", 0.02)


def cuffs(count: int, behaviour: Behaviour = BRIEF) -> list[VirtualCuff]:
    return [VirtualCuff(f"Cuff {n}", f"F0:F1:F2:F3:F4:{n:02X}", behaviour) for n in range(count)]


async def met(air: Room) -> None:
    """Every cuff was visited once; from now on no other is welcome."""
    for cuff in air.radio.cuffs:
        fill(cuff, 1)
    await air.wake()
    known = {cuff.address for cuff in air.sink.known()}
    air.sink.accept = lambda address: address in known


async def until(air: Room, scans: bool) -> None:
    async with asyncio.timeout(3):
        while air.radio._device.host.controller.le_scan_enable is not scans:  # noqa: ASYNC110
            await asyncio.sleep(0.005)
    await asyncio.sleep(0.1)
    assert air.radio._device.host.controller.le_scan_enable is scans, "and it stays so"


async def test_known_cuffs_are_visited_without_a_scan() -> None:
    async with room(*cuffs(3)) as air:
        await met(air)
        await until(air, scans=False)
        for _ in range(2):
            for cuff in air.radio.cuffs:
                fill(cuff, 2)
            await air.wake()
            await until(air, scans=False)
        assert len(air.sink.payloads) == 3 * 5
        assert not any(cuff.memory.records for cuff in air.radio.cuffs)


async def test_a_scan_begins_as_soon_as_a_new_cuff_is_welcome() -> None:
    known, new = cuffs(2)
    async with room(known, new) as air:
        air.sink.accept = lambda address: address in (known.address, radio.NOBODY)
        fill(known, 1)
        await air.wake(known)
        air.sink.accept = lambda address: address == known.address
        await until(air, scans=False)
        air.sink.accept = lambda address: True
        await until(air, scans=True)
        fill(new, 1)
        await air.wake(new)
        assert len(air.sink.payloads) == 2


async def test_the_scan_goes_on_for_a_cuff_that_changes_its_address() -> None:
    plain, private = cuffs(2)
    private.behaviour = Behaviour(lingers_s=0.05, private_address=True)
    async with room(plain, private) as air:
        await met(air)
        await until(air, scans=True)
        for cuff in air.radio.cuffs:
            fill(cuff, 1)
        await air.wake()
        assert len(air.sink.payloads) == 4


async def test_the_scan_goes_on_for_a_known_cuff_not_heard_since_the_start() -> None:
    """Nobody knows yet under what address it advertises."""
    heard, silent = cuffs(2)
    sink = NoteSink()
    async with room(heard, silent, sink=sink) as air:
        await met(air)
    async with room(heard, silent, sink=sink) as air:
        fill(heard, 1)
        await air.wake(heard)
        await until(air, scans=True)
        fill(silent, 1)
        await air.wake(silent)
        await until(air, scans=False)
    assert len(sink.payloads) == 4


async def test_an_adapter_that_cannot_goes_on_scanning(monkeypatch: pytest.MonkeyPatch) -> None:
    unknown = hci.HCI_StatusReturnParameters(hci.HCI_ErrorCode.UNKNOWN_HCI_COMMAND_ERROR)
    monkeypatch.setattr(CentralController, "on_hci_le_clear_filter_accept_list_command", lambda self, _: unknown)
    async with room(*cuffs(1)) as air:
        await met(air)
        await until(air, scans=True)
        fill(air.radio.cuffs[0], 1)
        await air.wake()
        assert len(air.sink.payloads) == 2


async def test_the_radio_ends_while_it_waits(monkeypatch: pytest.MonkeyPatch) -> None:
    async with room(*cuffs(1)) as air:
        await met(air)
        await until(air, scans=False)
    assert not air.radio.visiting

"""Cuffs of every manner over the BlueZ radio, on a real message bus with a played bluetoothd (tests/support).

What bluetoothd 5.66 and 5.82 really do with such cuffs is looked at in tests/stack/test_manners.py.
"""

import asyncio
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest
from played_bluez import ADAPTER, ADAPTER_1, CUFF, DEVICE, DEVICE_1, PlayedBlueZ
from played_listening import Listening, answers, begin, payload

from collector.radio.bluez import connecting, link_pairing, radio
from collector.store.journal import cuffs
from collector.store.opening import open_store

pytestmark = [pytest.mark.system, pytest.mark.usefixtures("no_links")]
OTHER = DEVICE.replace("hci0", "hci1")


async def end(bluez: PlayedBlueZ, service: Listening) -> None:
    await service.end()
    bluez.stop()


async def test_no_bond_is_asked_for_and_nothing_at_all_before_the_subscription(address: str, tmp_path: Path) -> None:
    bluez = PlayedBlueZ(answers)
    bluez.cccd_open = True
    service = await begin(bluez, address, tmp_path)
    await bluez.come([payload(128)])
    await service.readings(1)
    await end(bluez, service)
    asked = [member for member in bluez.asked if member in ("Pair", "StartNotify", "ReadValue", "WriteValue")]
    assert asked[0] == "StartNotify"
    assert "ReadValue" in asked
    assert "Pair" not in asked


async def test_a_cuff_that_ignores_pairing_is_let_off_and_the_link_stays(
    address: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Its CCCD wants a bond, so there are no records; but nobody waits 40 s for it, and bluetoothd is freed."""
    monkeypatch.setattr(link_pairing, "PAIRING_S", 0.3)
    monkeypatch.setattr(link_pairing, "SUBSCRIBE_S", 0.3)
    bluez = PlayedBlueZ(answers)
    bluez.ignores_pairing = True
    service = await begin(bluez, address, tmp_path)
    bluez.advertise()
    async with asyncio.timeout(8):
        while "CancelPairing" not in bluez.asked:  # noqa: ASYNC110
            await asyncio.sleep(0.05)
    asked = list(bluez.asked)
    assert "Disconnect" not in asked[: asked.index("CancelPairing")]
    bluez.leave()
    await asyncio.sleep(4)  # it came to nothing: not at once again
    bluez.ignores_pairing = False
    bluez.asked.clear()
    await bluez.come([payload(128)], lingers_s=0.5)
    await service.readings(1)
    assert bluez.asked.index("Pair") < bluez.asked.index("StartNotify"), "another way than the one that hung"
    await end(bluez, service)


async def test_where_somebody_elses_agent_declines_a_bond_is_asked_for(address: str, tmp_path: Path) -> None:
    """A desktop's agent is the default one; ours is asked about pairings of our own alone (BlueZ src/agent.c)."""
    bluez = PlayedBlueZ(answers)
    bluez.others_agent = True
    service = await begin(bluez, address, tmp_path)
    await bluez.come([payload(128)])
    await service.readings(1)
    await end(bluez, service)
    asked = [member for member in bluez.asked if member in ("Pair", "StartNotify")]
    assert asked == ["StartNotify", "Pair", "StartNotify"]
    with open_store(service.path, read_only=True) as store:
        assert cuffs.every(store)[0].bonded


async def test_a_cuff_that_keeps_no_bond_comes_again_and_again(address: str, tmp_path: Path) -> None:
    """It pairs without the bonding flag, so the next visit finds it known and not paired."""
    bluez = PlayedBlueZ(answers)
    bluez.keeps_no_bond = True
    service = await begin(bluez, address, tmp_path)
    for systolic in (128, 131, 126):
        await bluez.come([payload(systolic)], lingers_s=0.5)
        await service.readings(1)
        await asyncio.sleep(1)
        assert bluez.advertise() or bluez.objects[DEVICE][DEVICE_1]["Connected"], (
            "a filter under which bluetoothd is mute"
        )
        bluez.leave()
        await asyncio.sleep(1)
    await end(bluez, service)
    with open_store(service.path, read_only=True) as store:
        assert not cuffs.every(store)[0].bonded


async def test_the_scan_is_one_that_tells_every_burst(address: str, tmp_path: Path) -> None:
    bluez = PlayedBlueZ(answers)
    service = await begin(bluez, address, tmp_path)
    assert bluez.advertise()
    assert bluez.advertise(), "again at the same strength"
    await end(bluez, service)


async def test_a_known_cuff_is_trusted_bonded_or_not(address: str, tmp_path: Path) -> None:
    """Else bluetoothd forgets its objects 30 s after each visit (BlueZ src/device.c, device_bonding_complete)."""
    bluez = PlayedBlueZ(answers)
    bluez.cccd_open = True
    service = await begin(bluez, address, tmp_path)
    await bluez.come([payload(128)])
    await service.readings(1)
    await end(bluez, service)
    assert bluez.objects[DEVICE][DEVICE_1]["Trusted"]


async def test_discovery_rests_while_a_cuff_is_connected_to(address: str, tmp_path: Path) -> None:
    """The kernel makes the link at the next report, and a controller reports a cuff once a scan."""
    bluez = PlayedBlueZ(answers)
    bluez.cccd_open = True
    service = await begin(bluez, address, tmp_path)
    await asyncio.wait_for(bluez.come([payload(128)], lingers_s=0.2), 8)
    await service.readings(1)
    await asyncio.wait_for(bluez.scanning.wait(), 5)
    asked = [member for member in bluez.asked if member in ("StartDiscovery", "StopDiscovery", "Connect")]
    assert asked[:4] == ["StartDiscovery", "StopDiscovery", "Connect", "StartDiscovery"]
    await end(bluez, service)


async def test_two_adapters_make_one_visit_and_one_bond(address: str, tmp_path: Path) -> None:
    bluez = PlayedBlueZ(answers, adapters=2)
    service = await begin(bluez, address, tmp_path)
    coming = asyncio.create_task(bluez.come([payload(128)]))
    await asyncio.sleep(0.05)
    bluez.advertise(OTHER)
    await coming
    await service.readings(1)
    connected = [path for member, path in bluez.asked_of if member == "Connect"]
    assert len(connected) == 1
    (bonded,) = (path for path in (DEVICE, OTHER) if bluez.objects[path][DEVICE_1]["Paired"])
    assert connected == [bonded]
    (unbonded,) = {DEVICE, OTHER} - {bonded}
    bluez.leave(bonded)
    await asyncio.sleep(11)  # a new burst
    bluez.asked_of.clear()
    bluez.advertise(unbonded)
    await bluez.come([payload(131)], device=bonded)
    await service.readings(1)
    assert not [path for member, path in bluez.asked_of if member == "Connect" and path == unbonded]
    await end(bluez, service)
    with open_store(service.path, read_only=True) as store:
        (cuff,) = cuffs.every(store)
        assert (cuff.address, cuff.bonded, cuff.bond_missing_on) == (CUFF, True, None)


async def test_no_visit_begins_on_a_link_that_is_down_already(
    address: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    bluez = PlayedBlueZ(answers)
    bluez.cccd_open = True
    monkeypatch.setattr(connecting, "links_now", lambda: {(0, 1): CUFF} if bluez.links else {})
    service = await begin(bluez, address, tmp_path)
    await bluez.come([payload(128)])
    await service.readings(1)
    await asyncio.sleep(1)
    bluez.asked.clear()
    bluez.change(DEVICE, DEVICE_1, Connected=True, ServicesResolved=True)  # told late of a link that has gone
    await asyncio.sleep(1.5)
    assert not {"StartNotify", "ReadValue", "Pair"} & {*bluez.asked}
    bluez.leave()
    await bluez.come([payload(131)])
    await service.readings(1)
    await end(bluez, service)


async def test_an_absent_cuff_holds_up_nobody_elses_visit(address: str, tmp_path: Path) -> None:
    """The other adapter's, that is, and discovery comes back."""
    bluez = PlayedBlueZ(answers, adapters=2)
    bluez.absent = True
    service = await begin(bluez, address, tmp_path)
    bluez.advertise()
    await asyncio.sleep(connecting.CONNECT_S + 1.5)
    assert bluez.objects[ADAPTER][ADAPTER_1]["Discovering"]
    asked = [(member, path) for member, path in bluez.asked_of if member in ("Connect", "Disconnect")]
    assert asked == [("Connect", DEVICE), ("Disconnect", DEVICE)], "the attempt is taken back"
    assert ("StopDiscovery", ADAPTER.replace("hci0", "hci1")) not in bluez.asked_of
    await end(bluez, service)


@pytest.mark.parametrize("by_name", [False, True])
async def test_a_cuff_that_names_no_service_is_met_once_it_was_added(
    address: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, by_name: bool
) -> None:
    """By its address or by the name it calls itself; from then on the scan is as gentle as before."""
    monkeypatch.setattr(radio, "NEWS_S", 0.2)
    bluez = PlayedBlueZ(answers)
    bluez.cccd_open = True
    bluez.objects[DEVICE][DEVICE_1]["UUIDs"] = []
    service = await begin(bluez, address, tmp_path)
    await asyncio.sleep(1)
    assert not bluez.advertise()
    with open_store(service.path) as store:
        if by_name:
            cuffs.await_name(store, "Kitchen cuff", datetime.now(UTC) + timedelta(minutes=5))
        else:
            cuffs.remember(store, CUFF, datetime.now(UTC))
    await asyncio.sleep(1.5)
    await bluez.come([payload(128)])
    await service.readings(1)
    await asyncio.sleep(2)
    assert bluez.filters[-1].get("UUIDs"), "everybody is listened to no more"
    await end(bluez, service)

"""Over BlueZ nobody is looked for where whoever may come is connected by BlueZ itself: bonded cuffs, no new ones."""

import asyncio
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest
from played_bluez import ADAPTER, ADAPTER_1, DEVICE, DEVICE_1, PlayedBlueZ
from played_listening import Listening, answers, payload

from collector.radio.bluez import adapters, radio
from collector.service.config import parse
from collector.store.journal import cuffs, visits
from collector.store.opening import open_store

pytestmark = pytest.mark.system

KNOWN = parse('[station]\nzone = "UTC"\n[radio]\nwitness = "off"\naccept = "known"\n')


@pytest.fixture(autouse=True)
def soon(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(radio, "NEWS_S", 0.1)
    monkeypatch.setattr(radio, "PULSE_S", 0.3)
    monkeypatch.setattr(adapters, "SETTLE_S", 0.0)


def welcome(path: Path, minutes: int = 5) -> None:
    """As `cuff add` does; a negative number ends it."""
    with open_store(path) as store:
        cuffs.open_window(store, datetime.now(UTC) + timedelta(minutes=minutes))


async def discovers(bluez: PlayedBlueZ, wanted: bool) -> None:
    async with asyncio.timeout(30):
        while bluez.objects[ADAPTER][ADAPTER_1]["Discovering"] is not wanted:  # noqa: ASYNC110 (another process's state)
            await asyncio.sleep(0.02)


async def ended(path: Path, count: int) -> None:
    """So many visits are over; what becomes of the bond until then is learned by the visit."""
    async with asyncio.timeout(30):
        while True:
            with open_store(path, read_only=True) as store:
                if visits.last_ended(store) >= count:
                    return
            await asyncio.sleep(0.05)


async def with_a_bonded_cuff(bluez: PlayedBlueZ, address: str, folder: Path) -> Listening:
    """It has come as a new one, and once after that: connected by BlueZ."""
    await bluez.serve(address)
    welcome(folder / "store.db")
    service = Listening(folder / "store.db", config=KNOWN)
    await bluez.come([payload(128, 3)], lingers_s=1.0)
    await service.readings(1)
    await ended(service.path, 1)
    assert bluez.objects[DEVICE][DEVICE_1]["Trusted"]
    welcome(service.path, -5)
    await asyncio.sleep(1.0)
    assert bluez.objects[ADAPTER][ADAPTER_1]["Discovering"], "that BlueZ connects it by itself is not known yet"
    await bluez.come([payload(131, 2)], lingers_s=1.0)
    await service.readings(1)
    await ended(service.path, 2)
    return service


async def test_discovery_rests_and_bonded_cuffs_come_all_the_same(
    address: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(adapters, "LOOK_EVERY", 1000)
    bluez = PlayedBlueZ(answers)
    service = await with_a_bonded_cuff(bluez, address, tmp_path)
    await discovers(bluez, False)
    bluez.asked.clear()
    await bluez.come([payload(126, 1)], lingers_s=1.0)
    await service.readings(1)
    assert not {"StartDiscovery", "Connect"} & {*bluez.asked}
    welcome(service.path)
    await discovers(bluez, True)
    welcome(service.path, -5)
    await discovers(bluez, False)
    await service.end()
    bluez.stop()


async def test_a_bond_that_is_gone_ends_the_rest(address: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(adapters, "LOOK_EVERY", 1000)
    bluez = PlayedBlueZ(answers)
    service = await with_a_bonded_cuff(bluez, address, tmp_path)
    await discovers(bluez, False)
    bluez.change(DEVICE, DEVICE_1, Paired=False, Bonded=False)
    await discovers(bluez, True)
    async with asyncio.timeout(30):  # it may name its service no more
        while not bluez.filters[-1].get("DuplicateData"):  # noqa: ASYNC110
            await asyncio.sleep(0.02)
    await service.end()
    bluez.stop()


async def test_a_resting_discovery_looks_now_and_then_whether_somebody_came_in_vain(
    address: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """And where BlueZ does not connect by itself any more, discovery stays, and the cuff is fetched."""
    monkeypatch.setattr(adapters, "LOOK_EVERY", 4)
    bluez = PlayedBlueZ(answers)
    service = await with_a_bonded_cuff(bluez, address, tmp_path)
    await discovers(bluez, False)
    await discovers(bluez, True)
    await discovers(bluez, False)
    bluez.notifying.set()
    bluez.asked.clear()
    async with asyncio.timeout(30):
        while "Connect" not in bluez.asked:
            bluez.advertise()
            await asyncio.sleep(0.05)
    bluez.change(bluez.measurement[DEVICE], "org.bluez.GattCharacteristic1", Value=payload(126, 1))
    await service.readings(1)
    bluez.leave()
    await discovers(bluez, True)
    await asyncio.sleep(2.0)
    assert bluez.objects[ADAPTER][ADAPTER_1]["Discovering"]
    await service.end()
    bluez.stop()

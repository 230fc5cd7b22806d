"""`listen` over the BlueZ radio itself, on a real message bus, with a played bluetoothd (tests/support).

What the real bluetoothd and kernel do is looked at in tests/stack; here, that our side of the conversation holds.
"""

import asyncio
import logging
import re
from datetime import UTC, datetime
from pathlib import Path

import pytest
from played_bluez import ADAPTER, ADAPTER_1, CUFF, DEVICE, DEVICE_1, PlayedBlueZ, PlayedSystemd
from played_listening import Listening, answers, begin, payload, until_told

from collector.radio.bluez import BlueZRadio, adapters, connecting, radio
from collector.radio.bluez.bus import Bus
from collector.radio.bluez.link_pairing import Questions
from collector.radio.plan import UseWitness
from collector.store import journal, readings
from collector.store.journal import cuffs, visits
from collector.store.opening import open_store
from collector.store.values import Selection
from parsers.uuids import Uuid

pytestmark = pytest.mark.system


async def test_a_new_cuff_is_paired_and_later_only_repeats_nothing(
    address: str, tmp_path: Path, caplog: pytest.LogCaptureFixture
) -> None:
    caplog.set_level(logging.INFO)
    bluez = PlayedBlueZ(answers)
    await bluez.serve(address)
    service = Listening(tmp_path / "store.db")
    await asyncio.wait_for(bluez.scanning.wait(), 30)
    first, second, third = payload(128, 3), payload(131, 2), payload(126, 1)
    await bluez.come([first, second])
    assert {"RegisterAgent", "RegisterApplication", "Connect", "StartNotify"} <= {*bluez.asked}
    await service.readings(2)
    bluez.asked.clear()
    await bluez.come([second, third])
    await service.readings(1)
    assert not {"Connect", "Pair", "StartNotify"} & {*bluez.asked}, "bonded, and the subscription stands"
    await service.end()
    bluez.stop()
    lines = [line for line in caplog.messages if CUFF in line]
    assert lines, "the visits are in the log"
    told = [line for line in caplog.messages if re.search(r"\b(128|131|126|84|99|66)\b", line) or first.hex() in line]
    assert not told, "and no reading is"
    with open_store(service.path, read_only=True) as store:
        found = list(readings.select(store, Selection()))
        assert [reading.systolic for reading in found] == [128, 131, 126]
        assert journal.counts(store).repeats == 1
        (cuff,) = cuffs.every(store)
        assert (cuff.address, cuff.bonded) == (CUFF, True)
        values = visits.values_of(store, CUFF)
        assert values[Uuid.BATTERY_LEVEL][0] == b"\x28"
        assert {reading.taken_basis for reading in found} == {"cuff clock corrected"}
        assert all(reading.taken_at < datetime.now(UTC) for reading in found), "three minutes are taken off"


async def test_a_bond_is_there_when_bluez_says_so_whatever_becomes_of_the_answer(address: str, tmp_path: Path) -> None:
    """bluetoothd 5.66 asks for a BR/EDR bond, in vain and as long as the link is up, where the cuff's own request was
    granted just before ours (src/device.c, pair_device)."""
    bluez = PlayedBlueZ(answers)
    bluez.pairs_silently = True
    private = {"Address": "4C:FF:EE:00:00:01", "AddressType": "random"}
    bluez.objects[DEVICE][DEVICE_1] |= private  # so it is asked for a bond
    await bluez.serve(address)
    service = Listening(tmp_path / "store.db")
    await asyncio.wait_for(bluez.scanning.wait(), 30)
    await asyncio.wait_for(bluez.come([payload(128)]), 10)
    await service.readings(1)
    await service.end()
    bluez.stop()
    with open_store(service.path, read_only=True) as store:
        (cuff,) = cuffs.every(store)
        assert cuff.bonded


async def test_a_link_on_which_bluez_is_deaf_is_made_anew(
    address: str, tmp_path: Path, caplog: pytest.LogCaptureFixture, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(connecting, "DEAF_S", 0.3)
    caplog.set_level(logging.INFO)
    bluez = PlayedBlueZ(answers)
    await bluez.serve(address)
    service = Listening(tmp_path / "store.db")
    await asyncio.wait_for(bluez.scanning.wait(), 30)
    await bluez.come([payload(128, 3)])
    await service.readings(1)
    bluez.deaf_on_links = True
    bluez.asked.clear()
    await bluez.come([payload(131, 1)])
    await service.readings(1)
    await service.end()
    bluez.stop()
    assert [member for member in bluez.asked if "onnect" in member][:2] == ["Disconnect", "Connect"]
    assert f"{CUFF}: BlueZ is deaf on this link; made anew" in caplog.messages


async def test_a_deaf_link_that_came_up_while_another_was_made_is_made_anew(
    address: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Making it anew waited for the turn that it had itself: no link was made after that, and nobody discovered."""
    monkeypatch.setattr(connecting, "DEAF_S", 0.1)
    monkeypatch.setattr(connecting, "BLUEZ_FIRST_S", 0.1)
    bluez = PlayedBlueZ(answers)
    bluez.objects[DEVICE][DEVICE_1]["Paired"] = True
    await bluez.serve(address)
    bus = await Bus.open()
    making = connecting.Connecting(bus, Questions(), heard_at=lambda: 0.0)
    async with making.turn(ADAPTER):  # another cuff's
        up = asyncio.create_task(making.up(DEVICE))
        await asyncio.sleep(0.5)
        bluez.come_up(DEVICE, resolved=False)
        await asyncio.sleep(0.1)
    assert await asyncio.wait_for(up, 5)
    assert [member for member in bluez.asked if "onnect" in member] == ["Disconnect", "Connect"]
    await bus.close()
    bluez.stop()


async def test_a_bluetoothd_that_answers_nothing_is_no_progress(
    address: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Which the watchdog sees: a hung bluetoothd gets the service restarted."""
    monkeypatch.setattr(radio, "PULSE_S", 0.05)
    monkeypatch.setattr(adapters, "SETTLE_S", 0.0)
    bluez, under_test = PlayedBlueZ(answers), BlueZRadio(witness=UseWitness.OFF)
    await bluez.serve(address)
    service = Listening(tmp_path / "store.db", under_test)
    await asyncio.wait_for(bluez.scanning.wait(), 30)
    for _ in range(3):
        before = under_test.progress
        while under_test.progress == before:  # noqa: ASYNC110
            await asyncio.sleep(0.01)
    bluez.deaf = True
    await asyncio.sleep(0.3)  # for what was asked before
    before = under_test.progress
    await asyncio.sleep(1)
    assert under_test.progress == before
    bluez.deaf = False
    await service.end()
    bluez.stop()


async def deserted(address: str, folder: Path) -> Listening:
    """A listener whose bluetoothd went, and that has told so."""
    bluez = PlayedBlueZ(answers)
    service = await begin(bluez, address, folder)
    bluez.stop()
    await until_told(service.path, "bluetoothd is not running")
    return service


def returning() -> PlayedBlueZ:
    """The next bluetoothd, which has read of the bond."""
    bluez = PlayedBlueZ(answers)
    bluez.objects[DEVICE][DEVICE_1]["Paired"] = True
    return bluez


async def test_bluetoothd_going_and_coming_back_is_told_and_mended(
    address: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(radio, "PULSE_S", 0.1)
    service = await deserted(address, tmp_path)
    again = returning()
    await again.serve(address)
    await asyncio.wait_for(again.scanning.wait(), 30)
    await again.come([payload(119)])
    await service.readings(1)
    await until_told(service.path, None)
    await service.end()
    again.stop()


@pytest.mark.parametrize("member", ["GetManagedObjects", "RegisterAgent", "RegisterApplication", "StartDiscovery"])
async def test_a_bluetoothd_that_does_not_answer_as_soon_as_it_is_back_is_asked_again(
    address: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, member: str
) -> None:
    """It owns its name before it has read what it knows; on a busy machine that lasts."""
    monkeypatch.setattr(radio, "PULSE_S", 0.1)
    monkeypatch.setattr(adapters, "SETTLE_S", 0.0)
    service = await deserted(address, tmp_path)
    again = returning()
    again.refuses[member] = 2
    await again.serve(address)
    await asyncio.wait_for(again.scanning.wait(), 30)
    await until_told(service.path, None)
    await again.come([payload(119)])
    await service.readings(1)
    assert again.application is not None
    await service.end()
    again.stop()


@pytest.mark.parametrize(("state", "started"), [("failed", True), ("inactive", False)])
async def test_a_crashed_bluetoothd_is_started_again_and_a_stopped_one_is_not(
    address: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, state: str, started: bool
) -> None:
    """By D-Bus activation, which asks for no right; Debian 12 leaves it down."""
    monkeypatch.setattr(radio, "PULSE_S", 0.1)
    bluez, systemd, sign = PlayedBlueZ(answers), PlayedSystemd(state), tmp_path / "started"
    await systemd.serve(address)
    await bluez.serve(address)
    service = Listening(tmp_path / "store.db")
    await asyncio.wait_for(bluez.scanning.wait(), 30)
    (tmp_path / "services/org.bluez.service").write_text(
        f"[D-BUS Service]\nName=org.bluez\nExec=/usr/bin/touch {sign}\nUser=root\n"
    )
    await asyncio.sleep(0.5)  # dbus-daemon watches the folder
    bluez.stop()
    await until_told(service.path, "bluetoothd is not running")
    await asyncio.sleep(1.5)
    assert sign.exists() is started
    await service.end()
    systemd.stop()


async def test_an_adapter_switched_off_by_hand_is_told_and_taken_up_when_on(
    address: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(radio, "PULSE_S", 0.1)
    monkeypatch.setattr(adapters, "SETTLE_S", 0.0)
    bluez = PlayedBlueZ(answers)
    await bluez.serve(address)
    service = Listening(tmp_path / "store.db")
    await asyncio.wait_for(bluez.scanning.wait(), 30)
    bluez.scanning.clear()
    bluez.change(ADAPTER, ADAPTER_1, Powered=False, Discovering=False)
    await until_told(service.path, "was switched off")
    await asyncio.sleep(1)
    assert not bluez.objects[ADAPTER][ADAPTER_1]["Powered"], "whoever switched it off is not overruled"
    bluez.change(ADAPTER, ADAPTER_1, Powered=True)
    await asyncio.wait_for(bluez.scanning.wait(), 30)
    await bluez.come([payload(122)])
    await service.readings(1)
    await service.end()
    bluez.stop()

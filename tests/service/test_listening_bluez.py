"""`listen` over the BlueZ radio itself, on a real message bus, with a played bluetoothd (tests/support).

What the real bluetoothd and kernel do is looked at in tests/stack; here, that our side of the conversation holds.
"""

import asyncio
import logging
import re
from collections.abc import Iterator
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest
from played_bluez import ADAPTER, ADAPTER_1, CUFF, DEVICE, DEVICE_1, PlayedBlueZ
from systembus import private_bus

from collector.radio.bluez import BlueZRadio, adapter, radio
from collector.radio.bluez import visits as bluez_visits
from collector.radio.port import UseWitness
from collector.service.config import parse
from collector.service.listen.assemble import listen
from collector.store import conditions, journal, readings
from collector.store.journal import cuffs, visits
from collector.store.opening import open_store
from collector.store.values import Selection
from parsers.measurement import build_measurement, measurement
from parsers.stamps import DateTime, build_date_time
from parsers.uuids import Uuid

pytestmark = pytest.mark.system

CONFIG = parse('[station]\nzone = "UTC"\n[radio]\nwitness = "off"\n')


@pytest.fixture
def address(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Iterator[str]:
    with private_bus(tmp_path) as environment:
        monkeypatch.setenv("DBUS_SYSTEM_BUS_ADDRESS", environment["DBUS_SYSTEM_BUS_ADDRESS"])
        yield environment["DBUS_SYSTEM_BUS_ADDRESS"]


def answers(number: int) -> bytes:
    """The cuff's: its clock is three minutes ahead, its battery at 40 %."""
    ahead = DateTime.of((datetime.now(UTC) + timedelta(minutes=3)).replace(tzinfo=None))
    return {
        Uuid.DATE_TIME: build_date_time(ahead),
        Uuid.BATTERY_LEVEL: b"\x28",
        Uuid.BLOOD_PRESSURE_FEATURE: b"\x01\x00",
    }.get(number, b"Example Works")


def payload(systolic: int, minutes_ago: int = 1) -> bytes:
    stamp = DateTime.of((datetime.now(UTC) + timedelta(minutes=3 - minutes_ago)).replace(tzinfo=None))
    return build_measurement(measurement(systolic, 84, 99, stamp=stamp, pulse=66, user_id=1))


class Listening:
    """`listen` beside the test, and its readings as they come."""

    def __init__(self, path: Path, radio: BlueZRadio | None = None) -> None:
        self.path, self.stop = path, asyncio.Event()
        self.came: asyncio.Queue[str] = asyncio.Queue()
        self.task = asyncio.create_task(listen(path, CONFIG, radio, self.stop, heard=self.came.put_nowait))

    async def readings(self, count: int) -> None:
        for _ in range(count):
            await asyncio.wait_for(self.came.get(), 30)

    async def end(self) -> None:
        self.stop.set()
        await asyncio.wait_for(self.task, 20)


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
    assert {"RegisterAgent", "RegisterApplication", "Connect", "Pair", "StartNotify"} <= {*bluez.asked}
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
    monkeypatch.setattr(bluez_visits, "DEAF_S", 0.3)
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


async def test_a_bluetoothd_that_answers_nothing_is_no_progress(
    address: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Which the watchdog sees: a hung bluetoothd gets the service restarted."""
    monkeypatch.setattr(radio, "PULSE_S", 0.05)
    monkeypatch.setattr(adapter, "SETTLE_S", 0.0)
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


async def test_bluetoothd_going_and_coming_back_is_told_and_mended(
    address: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(radio, "PULSE_S", 0.1)
    bluez = PlayedBlueZ(answers)
    await bluez.serve(address)
    service = Listening(tmp_path / "store.db")
    await asyncio.wait_for(bluez.scanning.wait(), 30)
    bluez.stop()
    await until_told(service.path, "bluetoothd is not running")
    again = PlayedBlueZ(answers)
    again.objects[DEVICE][DEVICE_1]["Paired"] = True
    await again.serve(address)
    await asyncio.wait_for(again.scanning.wait(), 30)
    await again.come([payload(119)])
    await service.readings(1)
    await until_told(service.path, None)
    await service.end()
    again.stop()


async def test_an_adapter_switched_off_by_hand_is_told_and_taken_up_when_on(address: str, tmp_path: Path) -> None:
    bluez = PlayedBlueZ(answers)
    await bluez.serve(address)
    service = Listening(tmp_path / "store.db")
    await asyncio.wait_for(bluez.scanning.wait(), 30)
    bluez.scanning.clear()
    bluez.change(ADAPTER, ADAPTER_1, Powered=False, Discovering=False)
    await until_told(service.path, "was switched off")
    bluez.change(ADAPTER, ADAPTER_1, Powered=True)
    await asyncio.wait_for(bluez.scanning.wait(), 30)
    await bluez.come([payload(122)])
    await service.readings(1)
    await service.end()
    bluez.stop()


async def until_told(path: Path, words: str | None) -> None:
    """Until a condition of the store says so; None: until there is none of the adapter."""
    async with asyncio.timeout(30):
        while True:
            with open_store(path, read_only=True) as store:
                told = [one.text for one in conditions.current(store) if one.topic in ("adapter", "radio")]
            if not told if words is None else any(words in text for text in told):
                return
            await asyncio.sleep(0.1)

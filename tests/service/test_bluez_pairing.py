"""Cuffs that show digits, over the BlueZ radio on a real message bus with a played bluetoothd (tests/support).

Whoever runs `cuff add` answers through the store. The real bluetoothd is asked in tests/stack/test_pairing.py.
"""

import asyncio
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest
from played_bluez import CUFF, DEVICE, DEVICE_1, PlayedBlueZ
from played_listening import Listening, answers, begin, payload

from collector.radio.bluez import BlueZRadio, link_pairing, radio
from collector.radio.plan import UseWitness
from collector.store.journal import cuffs, manners
from collector.store.journal import pairing as questions
from collector.store.opening import open_store

pytestmark = [pytest.mark.system, pytest.mark.usefixtures("no_links")]


def stand_by(path: Path) -> None:
    """As `cuff add` does."""
    with open_store(path) as store:
        cuffs.remember(store, CUFF, datetime.now(UTC))
        questions.wait(store, CUFF, datetime.now(UTC) + timedelta(minutes=1))


async def answer(path: Path, number: int, after_s: float = 0.0) -> int | None:
    """Read the question, think, type; returns what the display should show."""
    with open_store(path) as store:
        while (found := questions.questions(store, datetime.now(UTC)).get(CUFF)) is None:  # noqa: ASYNC110 (as the command does)
            await asyncio.sleep(0.05)
        await asyncio.sleep(after_s)
        questions.give(store, CUFF, number)
    return found.number


async def until_learned(path: Path, kind: str) -> None:
    """The visit's end writes what it learned of the cuff."""
    with open_store(path, read_only=True) as store:
        async with asyncio.timeout(30):
            while kind not in [one.kind for one in manners.of(store, CUFF)]:  # noqa: ASYNC110, a store tells nobody
                await asyncio.sleep(0.05)


async def test_a_person_has_time_to_type_the_digits(
    address: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The limit on what hangs does not run while a person reads the display; and the keyboard is there at once."""
    monkeypatch.setattr(link_pairing, "SUBSCRIBE_S", 1.5)
    bluez = PlayedBlueZ(answers)
    bluez.digits = 123456
    service = await begin(bluez, address, tmp_path)
    stand_by(service.path)
    typing = asyncio.create_task(answer(service.path, 123456, after_s=3))
    await bluez.come([payload(128)])
    await service.readings(1)
    await typing
    await until_learned(service.path, "wants the digits on its display")
    await service.end()
    bluez.stop()
    assert "CancelPairing" not in bluez.asked
    assert bluez.agent is not None
    assert bluez.agent[2] == "KeyboardDisplay"
    with open_store(service.path, read_only=True) as store:
        assert cuffs.every(store)[0].bonded


async def test_the_wrong_digits_are_told_and_asked_for_again(address: str, tmp_path: Path) -> None:
    bluez = PlayedBlueZ(answers)
    bluez.digits = 123456
    service = await begin(bluez, address, tmp_path)
    stand_by(service.path)
    typing = asyncio.create_task(answer(service.path, 111111))
    bluez.advertise()
    await asyncio.wait_for(typing, 10)
    await asyncio.sleep(4)
    with open_store(service.path) as store:
        assert "digits" in (manners.last_outcome(store, CUFF) or "")
    typing = asyncio.create_task(answer(service.path, 123456))
    await bluez.come([payload(128)])
    await service.readings(1)
    await typing
    await service.end()
    bluez.stop()


@pytest.mark.parametrize("parks", [False, True])
async def test_with_nobody_there_the_cuff_is_said_to_want_its_digits(
    address: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, parks: bool
) -> None:
    """And nothing else of it: what is asked behind a request that bluetoothd has parked is no matter of the cuff's.

    bluetoothd connects it by itself the next time, since it has a bond: the keyboard has to be there before.
    """
    monkeypatch.setattr(radio, "PULSE_S", 0.5)
    monkeypatch.setattr(link_pairing, "SUBSCRIBE_S", 1.0)
    bluez = PlayedBlueZ(answers)
    bluez.digits, bluez.parks = 123456, parks
    service = await begin(bluez, address, tmp_path)
    for _ in range(2):  # new, then bonded without digits
        bluez.asked.clear()
        bluez.advertise() if not bluez.objects[DEVICE][DEVICE_1]["Paired"] else bluez.come_up(DEVICE)
        async with asyncio.timeout(15):
            while "StartNotify" not in bluez.asked:  # noqa: ASYNC110
                await asyncio.sleep(0.05)
        await asyncio.sleep(2.5)
        if not parks:
            bluez.leave()
        assert not bluez.objects[DEVICE][DEVICE_1]["Connected"], "nothing more can come on this link"
        await asyncio.sleep(2)
        with open_store(service.path) as store:
            assert [one.kind for one in manners.of(store, CUFF)] == ["wants the digits on its display"]
            assert "digits" in (manners.last_outcome(store, CUFF) or "")
    bluez.notifying.clear()
    stand_by(service.path)
    await asyncio.sleep(1)
    typing = asyncio.create_task(answer(service.path, 123456))
    await bluez.come([payload(128)])
    await service.readings(1)
    await typing
    await service.end()
    bluez.stop()


async def test_a_number_is_shown_and_compared(address: str, tmp_path: Path) -> None:
    bluez = PlayedBlueZ(answers)
    bluez.number = 271828
    service = await begin(bluez, address, tmp_path)
    stand_by(service.path)
    comparing = asyncio.create_task(answer(service.path, 1))
    await bluez.come([payload(128)])
    await service.readings(1)
    assert await comparing == 271828
    await service.end()
    bluez.stop()


async def test_a_bonded_cuff_that_is_only_slow_is_not_said_to_want_digits(
    address: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    bluez = PlayedBlueZ(answers)
    service = await begin(bluez, address, tmp_path)
    await bluez.come([payload(128)])
    await service.readings(1)
    await service.end()
    monkeypatch.setattr(link_pairing, "SUBSCRIBE_S", 0.5)
    bluez.hangs = True
    bluez.scanning.clear()
    bluez.asked.clear()
    service = Listening(tmp_path / "store.db", BlueZRadio(witness=UseWitness.OFF, subscriptions=False))
    await asyncio.wait_for(bluez.scanning.wait(), 30)
    bluez.come_up(DEVICE)
    await asyncio.sleep(5)
    await service.end()
    bluez.stop()
    assert "StartNotify" in bluez.asked
    with open_store(service.path, read_only=True) as store:
        assert manners.of(store, CUFF) == []
        assert manners.last_outcome(store, CUFF) == "failed: no answer to the subscription"

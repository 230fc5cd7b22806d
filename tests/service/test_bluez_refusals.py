"""Whatever bluetoothd refuses, keeps silent about or forgets for a while, the cuff that comes afterwards is heard.

`python -m pytest -m long tests/service/test_bluez_refusals.py`: 40 drawn stories, about three minutes.
"""

import asyncio
import random
from pathlib import Path

import pytest
from played_bluez import ADAPTER, ADAPTER_1, DEVICE, DEVICE_1, PlayedBlueZ
from played_listening import Listening, answers, payload

from collector.radio.bluez import adapters, bus, radio
from collector.store import readings
from collector.store.opening import open_store
from collector.store.values import Selection

pytestmark = pytest.mark.long

MEMBERS = (
    *("GetManagedObjects", "RegisterAgent", "UnregisterAgent", "RegisterApplication", "Set", "RemoveDevice"),
    *("SetDiscoveryFilter", "StartDiscovery", "StopDiscovery", "Connect", "Disconnect", "Pair"),
    *("StartNotify", "StopNotify", "ReadValue", "WriteValue"),
)
LAST = 119


class Story:
    """One drawn sequence of what happens to a bluetoothd."""

    def __init__(self, drawn: random.Random, address: str) -> None:
        self.drawn, self.address = drawn, address
        self.bluez = PlayedBlueZ(answers)
        self._hearing: list[asyncio.Task[None]] = []

    async def serve(self) -> None:
        """It comes up, refuses some of what it is asked for, and may answer nothing for the first moments."""
        for member in self.drawn.sample(MEMBERS, self.drawn.randint(0, 4)):
            self.bluez.refuses[member] = self.drawn.randint(1, 3)
        self.bluez.deaf = self.drawn.random() < 0.3
        await self.bluez.serve(self.address)
        self._hearing.append(asyncio.create_task(self._hear(self.bluez, self.drawn.uniform(0.1, 2))))

    async def _hear(self, bluez: PlayedBlueZ, after_s: float) -> None:
        await asyncio.sleep(after_s)
        bluez.deaf = False

    async def restart(self) -> None:
        paired = self.bluez.objects[DEVICE][DEVICE_1]["Paired"]
        self.bluez.stop()
        await asyncio.sleep(self.drawn.choice([0, 0.02, 0.3, 1]))
        self.bluez = PlayedBlueZ(answers)
        self.bluez.objects[DEVICE][DEVICE_1]["Paired"] = paired
        self.bluez.objects[ADAPTER][ADAPTER_1]["Powered"] = self.drawn.random() < 0.5
        await self.serve()

    async def switch_off_and_on(self) -> None:
        self.bluez.change(ADAPTER, ADAPTER_1, Powered=False, Discovering=False)
        await asyncio.sleep(self.drawn.uniform(0, 1))
        self.bluez.change(ADAPTER, ADAPTER_1, Powered=True)

    async def cuff_comes(self) -> None:
        await self.comes(101, self.drawn.uniform(0.05, 2))

    async def advertise(self) -> None:
        self.bluez.advertise()
        await asyncio.sleep(self.drawn.uniform(0, 0.5))

    async def comes(self, systolic: int, within_s: float) -> bool:
        """Whether the cuff got rid of a measurement; it leaves all the same."""
        try:
            await asyncio.wait_for(self.bluez.come([payload(systolic)], lingers_s=0.3), within_s)
        except TimeoutError:
            self.bluez.leave()
            return False
        return True

    async def goes_on(self) -> None:
        for _ in range(self.drawn.randint(1, 4)):
            await self.drawn.choice([self.restart, self.switch_off_and_on, self.cuff_comes, self.advertise])()
        await asyncio.gather(*self._hearing)
        self.bluez.refuses.clear()


@pytest.mark.parametrize("seed", range(40))
async def test_the_cuff_that_comes_afterwards_is_heard(
    address: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, seed: int
) -> None:
    monkeypatch.setattr(radio, "PULSE_S", 0.3)
    monkeypatch.setattr(radio, "NEWS_S", 0.2)
    monkeypatch.setattr(adapters, "SETTLE_S", 0.05)
    monkeypatch.setattr(bus, "GREET_AGAIN_S", 0.1)
    story = Story(random.Random(seed), address)
    await story.serve()
    service = Listening(tmp_path / "store.db")
    await story.goes_on()
    for _ in range(20):  # an unanswered call is given up after ten seconds
        if await story.comes(LAST, 5):
            break
        await asyncio.sleep(1)
    async with asyncio.timeout(20):
        while LAST not in _kept(service.path):  # noqa: ASYNC110
            await asyncio.sleep(0.1)
    await service.end()
    story.bluez.stop()


def _kept(path: Path) -> set[int]:
    with open_store(path, read_only=True) as store:
        return {int(one.systolic or 0) for one in readings.select(store, Selection())}

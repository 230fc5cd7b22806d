"""`listen` beside a test, over the BlueZ radio on a bus of our own, and what a cuff answers and sends there."""

import asyncio
from datetime import UTC, datetime, timedelta
from pathlib import Path

from played_bluez import PlayedBlueZ

from collector.radio.bluez import BlueZRadio
from collector.service.config import Config, parse
from collector.service.listen.assemble import listen
from collector.store import conditions
from collector.store.opening import open_store
from parsers.measurement import build_measurement, measurement
from parsers.stamps import DateTime, build_date_time
from parsers.uuids import Uuid

CONFIG = parse('[station]\nzone = "UTC"\n[radio]\nwitness = "off"\n')


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

    def __init__(self, path: Path, radio: BlueZRadio | None = None, config: Config = CONFIG) -> None:
        self.path, self.stop = path, asyncio.Event()
        self.came: asyncio.Queue[str] = asyncio.Queue()
        self.task = asyncio.create_task(listen(path, config, radio, self.stop, heard=self.came.put_nowait))

    async def readings(self, count: int) -> None:
        for _ in range(count):
            await asyncio.wait_for(self.came.get(), 30)

    async def end(self) -> None:
        self.stop.set()
        await asyncio.wait_for(self.task, 20)


async def begin(bluez: PlayedBlueZ, address: str, folder: Path) -> Listening:
    """Beside a bluetoothd that scans for it."""
    await bluez.serve(address)
    service = Listening(folder / "store.db")
    await asyncio.wait_for(bluez.scanning.wait(), 30)
    return service


async def until_told(path: Path, words: str | None) -> None:
    """Until a condition of the store says so; None: until there is none of the adapter."""
    async with asyncio.timeout(30):
        while True:
            with open_store(path, read_only=True) as store:
                told = [one.text for one in conditions.current(store) if one.topic in ("adapter", "radio")]
            if not told if words is None else any(words in text for text in told):
                return
            await asyncio.sleep(0.1)

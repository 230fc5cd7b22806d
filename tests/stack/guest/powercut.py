"""In the guest: the real `listen` with the exclusive radio, its store on the disk that survives, its adapter a dongle
at the second serial port. Runs until the file `end` appears beside it, then says what is in the store."""

import asyncio
import json
import os
import sys
from pathlib import Path

DISK = Path("/mnt/disk")
DONGLE = "serial:/dev/ttyS1,115200"


async def listen_until_told() -> None:
    from collector.radio.exclusive import ExclusiveRadio
    from collector.service import log
    from collector.service.config import Config
    from collector.service.listening import listen

    log.set_up("info")
    stop = asyncio.Event()

    async def watch() -> None:
        while not Path("end").exists():  # noqa: ASYNC110, ASYNC240
            await asyncio.sleep(0.2)
        stop.set()

    watching = asyncio.ensure_future(watch())
    radio = ExclusiveRadio(DONGLE, DISK / "bonds", pause_s=0.0)
    await listen(DISK / "quietcuff.db", Config(), radio, stop=stop)
    watching.cancel()


def tell() -> None:
    from collector.store import care, journal, readings
    from collector.store.database import open_store

    with open_store(DISK / "quietcuff.db") as store:
        found = [[reading.cuff, reading.payload] for reading in readings.select(store)]
        Path("readings.json").write_text(json.dumps(
            {"readings": found, "payloads": journal.counts(store).payloads, "damage": care.integrity(store)}))


if __name__ == "__main__":
    os.sched_setaffinity(0, {0})
    asyncio.run(listen_until_told())
    tell()
    print("told", file=sys.stderr)

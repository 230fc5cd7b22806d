"""In the guest: the real `listen`, its store and bonds on the disk that survives, its adapter a dongle at the second
serial port, which the kernel owns. Runs until the file `end` appears beside it, then says what is in the store.

Argument: the radio, `exclusive` or `bluez`.
"""

import asyncio
import json
import subprocess
import sys
from pathlib import Path

from machine import Program, adapter_there, listen, start_bluetoothd, start_dbus

DISK = Path("/mnt/disk")
STORE = DISK / "store" / "quietcuff.db"
OPTIONS = {"exclusive": ["--radio", "exclusive", "--adapter", "hci0"], "bluez": []}


async def main(radio: str) -> None:
    Program("cable", [sys.executable, "-u", "-m", "cable"])
    STORE.parent.mkdir(0o700, exist_ok=True)
    if radio == "bluez":
        keep_bonds_on_the_disk()
        await start_dbus()
        await start_bluetoothd()
        assert await adapter_there("hci0", 60)
    else:
        while not Path("/sys/class/bluetooth/hci0").exists():  # noqa: ASYNC110, ASYNC240
            await asyncio.sleep(0.1)
    listener = listen(str(STORE), *OPTIONS[radio])
    while not Path("end").exists():  # noqa: ASYNC240
        await asyncio.sleep(0.2)
        if listener.process.poll() is not None:
            sys.exit(f"the listener ended by itself: {listener.said()[-2000:]}")
    await listener.end()
    tell()


def keep_bonds_on_the_disk() -> None:
    (DISK / "bluetooth").mkdir(0o700, exist_ok=True)
    subprocess.run(["mount", "--bind", DISK / "bluetooth", "/var/lib/bluetooth"], check=True)


def tell() -> None:
    from collector.store import journal, readings, sightings, upkeep
    from collector.store.opening import open_store

    with open_store(STORE) as store:
        found = [[reading.cuff, reading.payload] for reading in readings.select(store)]
        damage = [*upkeep.integrity(store), *["a reading is miscounted"] * sightings.miscounted(store)]
        Path("readings.json").write_text(
            json.dumps({"readings": found, "payloads": journal.counts(store).payloads, "damage": damage})
        )


asyncio.run(main(sys.argv[1]))
print("told", file=sys.stderr)

"""A week of `listen` in ten minutes: the real command over BlueZ's bus, with its store, visits, scan, jobs and notices.

    python tests/bench/bench_week.py            # seven days
    python tests/bench/bench_week.py --days 1

bluetoothd is played (tests/support), idle time passes at once (hurried.py): two readings morning and evening by one
cuff, a stranger's device passing by every three minutes, everything that recurs. Prints memory, open files, threads and
asyncio tasks day by day. Exit 1 when a limit of docs/performance.md is missed, or when anything but memory grew.
Needs a D-Bus daemon binary, no Bluetooth.
"""

import argparse
import asyncio
import json
import mmap
import struct
import subprocess
import sys
import tempfile
import time
from dataclasses import dataclass
from datetime import datetime, timedelta
from functools import partial
from pathlib import Path

from bench_budget import bare_scanner, figure, memory, seconds_of_processor, written  # which finds tests/support, too
from played_bluez import PlayedBlueZ
from systembus import private_bus

from collector.store import journal, open_store
from parsers.measurement import build_measurement, measurement
from parsers.stamps import DateTime, build_date_time
from parsers.uuids import Uuid

DAY_S, STEP_S = 86400.0, 180.0
SITTINGS_S = (7 * 3600.0, 21 * 3600.0)
HURRIED = Path(__file__).with_name("hurried.py")
CONFIG = '[station]\nzone = "UTC"\n[radio]\nwitness = "off"\n[retention]\npayloads_days = 1\n[backup]\nkeep = 3\n'


@dataclass(frozen=True)
class Look:
    """How the service stands. resident, own: MB; processor: seconds so far; written: KiB to disk so far."""

    resident: float
    own: float
    files: int
    threads: int
    tasks: int
    processor: float
    written: int


class Week:
    """Plays the world to one service. Its clock: seconds since the service began."""

    def __init__(self, folder: Path, environment: dict[str, str]) -> None:
        self.folder, self.environment, self.store = folder, environment, folder / "week.db"
        gate = folder / "gate"
        gate.write_bytes(struct.pack("<ddd", 0, 0, 0))
        self.file = gate.open("r+b")
        self.shared = mmap.mmap(self.file.fileno(), 24)
        self.bluez = PlayedBlueZ(self.value)
        self.looks: list[Look] = []
        self.process: subprocess.Popen[bytes]

    def value(self, number: int) -> bytes:
        """What the cuff answers; its clock is right."""
        if number == Uuid.DATE_TIME:
            return build_date_time(DateTime.of(self.now()))
        return {Uuid.BATTERY_LEVEL: b"\x50", Uuid.BLOOD_PRESSURE_FEATURE: b"\x00\x00"}.get(number, b"Example")

    def elapsed(self) -> float:
        return float(struct.unpack_from("<d", self.shared, 8)[0])

    def now(self) -> datetime:
        return self.began + timedelta(seconds=self.elapsed())

    async def live(self, days: int) -> None:
        config = self.folder / "week.toml"
        config.write_text(CONFIG)
        await self.bluez.serve(self.environment["DBUS_SYSTEM_BUS_ADDRESS"])
        self.began = datetime.now().replace(microsecond=0)
        self.start(config)
        try:
            await self.until(self.bluez.scanning)
            for day in range(days):
                await self.day(day)
                self.looks.append(self.look())
                print(f"day {day + 1}: {self.looks[-1]}", flush=True)
        finally:
            self.process.terminate()
            await asyncio.to_thread(self.process.wait, 30)
            self.bluez.stop()

    def start(self, config: Path) -> None:
        command = [
            sys.executable,
            str(HURRIED),
            str(self.folder / "gate"),
            "--store",
            str(self.store),
            "--config",
            str(config),
        ]
        with (self.folder / "log").open("wb") as log:
            self.process = subprocess.Popen(command, env=self.environment | {"TZ": "UTC"}, stdout=log, stderr=log)

    async def until(self, event: asyncio.Event) -> None:
        try:
            await asyncio.wait_for(event.wait(), 60)
        except TimeoutError:
            raise RuntimeError("the service does not go on: " + (self.folder / "log").read_text()[-2000:]) from None

    async def day(self, day: int) -> None:
        sittings = [day * DAY_S + second for second in SITTINGS_S]
        for step in range(1, round(DAY_S / STEP_S) + 1):
            at = day * DAY_S + step * STEP_S
            await self.advance(at)
            self.bluez.pass_by(day * 1000 + step)
            if sittings and at >= sittings[0]:
                sittings.pop(0)
                payloads = [
                    build_measurement(
                        measurement(
                            121 + 2 * day,
                            80,
                            93,
                            stamp=DateTime.of(self.now() - timedelta(minutes=minute)),
                            pulse=60 + minute,
                            user_id=1,
                        )
                    )
                    for minute in (2, 1)
                ]
                await asyncio.wait_for(self.bluez.come(payloads), 60)
                await asyncio.sleep(7)  # real seconds: the visit ends, notices look after five

    async def advance(self, to: float) -> None:
        struct.pack_into("<d", self.shared, 0, to)
        began = time.monotonic()
        while self.elapsed() < to:
            await asyncio.sleep(0.005)
            if self.process.poll() is not None or time.monotonic() - began > 120:
                raise RuntimeError("the service does not go on: " + (self.folder / "log").read_text()[-2000:])

    def look(self) -> Look:
        proc = Path("/proc", str(self.process.pid))
        resident, own = memory(self.process.pid)
        return Look(
            round(resident, 1),
            round(own, 1),
            len(list((proc / "fd").iterdir())),
            len(list((proc / "task").iterdir())),
            int(struct.unpack_from("<d", self.shared, 16)[0]),
            round(seconds_of_processor(self.process.pid), 1),
            written(self.process.pid) // 1024,
        )


def main() -> int:
    options = argparse.ArgumentParser()
    options.add_argument("--days", type=int, default=7)
    days = options.parse_args().days
    missed: list[str] = []
    tell = partial(figure, missed)

    with tempfile.TemporaryDirectory(dir="/var/tmp") as text:
        folder = Path(text)
        with private_bus(folder) as environment:
            bare, _ = bare_scanner(environment)
            week = Week(folder, environment)
            asyncio.run(week.live(days))
        said = (folder / "log").read_text()
        with open_store(week.store, create=False, read_only=True) as store:
            counts = journal.counts(store)
        backups = len(list((folder / "backups").glob("week-*.db")))
    first, last = week.looks[0], week.looks[-1]
    tell("readings that did not come", 4 * days - counts.readings, f"of {4 * days}", 0)
    tell("resident at the end", last.resident, "MB", 60)
    tell("against a bare bleak scanner", last.resident / bare, f"× {bare:.1f} MB")
    tell("grown from the first day's end to the last's", last.resident - first.resident, "MB", 3)
    tell("more open files than on the first day", last.files - first.files, f"of {last.files}", 0)
    tell("more threads", last.threads - first.threads, f"of {last.threads}", 2)
    tell("more asyncio tasks", last.tasks - first.tasks, f"of {last.tasks}", 2)
    tell("backups kept", backups, "", 3)
    tell("errors in the log", len([line for line in said.splitlines() if "failed" in line or "rror" in line]), "", 0)
    tell("processor time, hurry included", (last.processor - first.processor) / max(1, days - 1), "s a day")
    tell("written to disk, a backup included", (last.written - first.written) / max(1, days - 1), "KiB a day")
    if missed:
        print(said[-3000:], file=sys.stderr)
        print(json.dumps(missed), file=sys.stderr)
    return 1 if missed else 0


if __name__ == "__main__":
    sys.exit(main())

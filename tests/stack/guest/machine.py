"""The guest's other programs: D-Bus, bluetoothd, the listener; started, watched, killed."""

import asyncio
import os
import signal
import sqlite3
import subprocess
import sys
import time
from collections import Counter
from pathlib import Path

BLUETOOTHD = next(
    path for path in ("/usr/libexec/bluetooth/bluetoothd", "/usr/lib/bluetooth/bluetoothd") if Path(path).exists()
)
QUIETCUFF = [sys.executable, "-m", "collector.cli.main"]
PID, SOCKET = Path("/run/dbus/pid"), Path("/run/dbus/system_bus_socket")
NO_NET_RAW = ["setpriv", "--bounding-set", "-net_raw", "--inh-caps", "-net_raw", "--ambient-caps", "-all"]


class Program:
    """A process whose output goes to a file."""

    def __init__(self, name: str, command: list[str], **environment: str) -> None:
        self.name, self.log = name, Path(os.environ["LAB_LOGS"], f"{name}.log").absolute()
        self.asked_to_end = False
        with self.log.open("ab") as out:
            self._mark = out.tell()
            self.process = subprocess.Popen(
                command, stdout=out, stderr=subprocess.STDOUT, stdin=subprocess.DEVNULL, env=os.environ | environment
            )

    def said(self) -> str:
        return self.log.read_bytes()[self._mark :].decode(errors="replace")

    async def says(self, text: str, timeout_s: float = 300) -> None:
        """Wait until its output holds a text. Raises TimeoutError."""
        end = time.monotonic() + timeout_s
        while text not in self.said():
            if time.monotonic() > end or self.process.poll() is not None:
                raise TimeoutError(
                    f"{self.name} never said {text!r} (status {self.process.poll()}); "
                    f"the end of its output: {self.said()[-1500:]}"
                )
            await asyncio.sleep(0.1)

    @property
    def crashed(self) -> bool:
        """Whether a signal ended it that `end` did not send."""
        return not self.asked_to_end and (self.process.poll() or 0) < 0

    async def end(self, number: int = signal.SIGTERM, timeout_s: float = 30) -> float:
        """Signal it and wait; says how many seconds that took."""
        began, self.asked_to_end = time.monotonic(), True
        if self.process.poll() is None:
            self.process.send_signal(number)
        while self.process.poll() is None:
            if time.monotonic() - began > timeout_s:
                self.process.kill()
            await asyncio.sleep(0.05)
        return time.monotonic() - began


async def start_dbus() -> None:
    PID.unlink(missing_ok=True)  # noqa: ASYNC240
    SOCKET.unlink(missing_ok=True)  # noqa: ASYNC240
    process = await asyncio.create_subprocess_exec("dbus-daemon", "--system", "--fork")
    assert await process.wait() == 0


async def end_dbus() -> None:
    os.kill(int(PID.read_text()), signal.SIGTERM)  # noqa: ASYNC240
    await asyncio.sleep(1)


async def start_bluetoothd() -> Program:
    program = Program("bluetoothd", [BLUETOOTHD, "-n", "-d"])
    await program.says("Bluetooth management interface", 60)
    return program


async def adapter_there(name: str, timeout_s: float = 10) -> bool:
    """Whether bluetoothd has an adapter of this name. On a busy machine the kernel may give up on a new controller."""
    end = time.monotonic() + timeout_s
    while time.monotonic() < end:
        process = await asyncio.create_subprocess_exec(
            "busctl", "--list", "tree", "org.bluez", stdout=subprocess.PIPE, stderr=subprocess.DEVNULL
        )
        if f"/org/bluez/{name}\n".encode() in (await process.communicate())[0]:
            return True
        await asyncio.sleep(0.5)
    return False


def listen(store: str, *options: str, drop_right: bool = False, name: str = "listen") -> Program:
    """The real command."""
    command = [*QUIETCUFF, "--store", store, "listen", "--log", "debug", *options]
    return Program(name, [*NO_NET_RAW, *command] if drop_right else command)


class Collected:
    """What stands in a store."""

    def __init__(self, store: str) -> None:
        self.payloads: Counter[bytes] = Counter()
        self.readings = self.sightings = 0
        self.sources: Counter[str] = Counter()
        self.conditions: dict[str, str] = {}
        self._readings: Counter[str] = Counter()
        self._cuffs: list[str] = []
        self._missing: dict[str, str | None] = {}
        self._marks: list[tuple[str, str, list[str]]] = []
        if Path(store).exists():
            with sqlite3.connect(store) as db:
                self.payloads.update(value for (value,) in db.execute("SELECT value FROM payload"))
                self.sources.update(source for (source,) in db.execute("SELECT source FROM payload"))
                self.readings, self.sightings = db.execute(
                    "SELECT count(*), coalesce(sum(sightings), 0) FROM reading"
                ).fetchone()
                self._readings.update(
                    address for (address,) in db.execute("SELECT address FROM reading JOIN cuff ON cuff.id = cuff_id")
                )
                for address, missing in db.execute("SELECT address, bond_missing_on FROM cuff ORDER BY id"):
                    self._cuffs.append(address)
                    self._missing[address] = missing
                self._marks = [
                    (address, systolic, [mark for mark in marks.split(";") if mark])
                    for address, systolic, marks in db.execute(
                        "SELECT address, systolic, content_marks FROM reading JOIN cuff ON cuff.id = cuff_id"
                    )
                ]
                self.conditions = dict(db.execute("SELECT topic, text FROM condition").fetchall())

    def in_all(self) -> dict[str, object]:
        return {
            "readings": self.readings,
            "payloads": self.payloads.total(),
            "sightings": self.sightings,
            "sources": dict(self.sources),
            "conditions": self.conditions,
        }

    def readings_of(self, address: str) -> int:
        return self._readings[address]

    def cuffs_since(self, address: str) -> list[str]:
        """The addresses met from this one on."""
        return self._cuffs[self._cuffs.index(address) :] if address in self._cuffs else []

    def bond_missing(self, address: str) -> str | None:
        return self._missing.get(address)

    def marks_of(self, address: str) -> dict[int, list[str]]:
        """What a cuff's readings are marked with, by their systolic pressure."""
        return {int(float(systolic)): marks for of, systolic, marks in self._marks if of == address}

    def of(self, measured: list[bytes]) -> dict[str, int]:
        """How many of these payloads are there; how many more than once; how many readings in all."""
        return {
            "measured": len(measured),
            "kept": sum(payload in self.payloads for payload in measured),
            "twice": sum(self.payloads[payload] > 1 for payload in measured),
            "readings": self.readings,
        }

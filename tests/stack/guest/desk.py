"""Whoever runs `quietcuff cuff add ADDRESS` beside a cuff and reads its display."""

import asyncio
import contextlib
import os
import subprocess
from datetime import UTC, datetime, timedelta
from pathlib import Path

from machine import QUIETCUFF

from collector.store.journal import cuffs, pairing
from collector.store.opening import open_store

PULSE_S = 17.0  # `listen` looks round every 15 s: for somebody at the keyboard, for cuffs to be waited for


class Desk:
    """store: where the questions are, as the command and the service know it."""

    def __init__(self, store: str) -> None:
        self.store = Path(store)

    def add(self, address: str) -> None:
        """The command without a terminal: the cuff is taken in, and nobody stays."""
        with open_store(self.store) as store:
            cuffs.remember(store, address, datetime.now(UTC))
            cuffs.open_window(store, datetime.now(UTC) + timedelta(minutes=10))

    def stay(self, address: str) -> None:
        with open_store(self.store) as store:
            pairing.wait(store, address, datetime.now(UTC) + timedelta(minutes=10))

    def leave(self, address: str) -> None:
        """And new cuffs are taken in no more."""
        with open_store(self.store) as store:
            pairing.leave(store, address)
            cuffs.open_window(store, datetime.now(UTC))

    async def answer(self, address: str, number: int, after_s: float) -> int | None:
        """Wait for the question, take that long to answer it; what the display should show."""
        with open_store(self.store) as store:
            while (found := pairing.questions(store, datetime.now(UTC)).get(address)) is None:  # noqa: ASYNC110
                await asyncio.sleep(0.3)
            await asyncio.sleep(after_s)
            pairing.give(store, address, number)
        return found.number


class Terminal:
    """The command itself at a terminal; what it asks for is typed."""

    def __init__(self, store: str, address: str) -> None:
        self.said = ""
        Path("/dev/pts").mkdir(exist_ok=True)
        if not Path("/dev/pts/ptmx").exists():
            subprocess.run(["mount", "-t", "devpts", "devpts", "/dev/pts"], check=True)
        self._near, far = os.openpty()
        command = [*QUIETCUFF, "--store", store, "cuff", "add", address, "--for", "10"]
        self._process = subprocess.Popen(command, stdin=far, stdout=far, stderr=far)
        os.close(far)
        asyncio.get_running_loop().add_reader(self._near, self._read)

    def _read(self) -> None:
        try:
            self.said += os.read(self._near, 4096).decode(errors="replace")
        except OSError:  # the command has ended
            asyncio.get_running_loop().remove_reader(self._near)

    async def says(self, text: str, timeout_s: float = 120) -> bool:
        with contextlib.suppress(TimeoutError):
            async with asyncio.timeout(timeout_s):
                while text not in self.said:  # noqa: ASYNC110
                    await asyncio.sleep(0.2)
                return True
        return False

    async def types(self, text: str, after_s: float) -> None:
        """Once it asks."""
        if await self.says("six digits"):
            await asyncio.sleep(after_s)
            os.write(self._near, f"{text}\n".encode())

    async def end(self) -> int:
        """Its exit status; ends it where it waits on."""
        with contextlib.suppress(subprocess.TimeoutExpired):
            return await asyncio.to_thread(self._process.wait, 20)
        self._process.kill()
        return self._process.wait()

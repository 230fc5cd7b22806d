"""A person's terminal at a guest's serial line: what it shows, and what is typed."""

import asyncio
import re
import time
from collections.abc import Sequence
from contextlib import suppress
from pathlib import Path
from typing import Self

CONTROL = re.compile(r"\x1b\[[0-9;?]*[A-Za-z]|\x1b[()][AB0]|\r")


class Terminal:
    """At a unix socket where QEMU serves the line. prompt: what the shell shows when it waits."""

    def __init__(self, reader: asyncio.StreamReader, writer: asyncio.StreamWriter, prompt: str) -> None:
        self._reader, self._writer, self._prompt = reader, writer, prompt
        self._shown = bytearray()
        self._read = asyncio.create_task(self._keep())

    @classmethod
    async def at(cls, socket: Path, prompt: str, timeout_s: float) -> Self:
        """Once the guest is switched on."""
        async with asyncio.timeout(timeout_s):
            while True:
                try:
                    reader, writer = await asyncio.open_unix_connection(socket)
                except OSError:
                    await asyncio.sleep(0.2)
                else:
                    return cls(reader, writer, prompt)

    async def _keep(self) -> None:
        while octets := await self._reader.read(4096):
            self._shown += octets

    async def close(self) -> None:
        self._writer.close()
        with suppress(OSError):  # whatever was at the other end is gone by now
            await self._writer.wait_closed()
            await self._read

    def shown(self) -> str:
        """All of it, as plain text."""
        return CONTROL.sub("", self._shown.decode(errors="replace"))

    async def shows(self, text: str, timeout_s: float, after: int = 0) -> None:
        """Raises AssertionError with the end of what it shows instead."""
        end = time.monotonic() + timeout_s
        while text not in self.shown()[after:]:
            assert time.monotonic() < end, f"never {text!r}: {self.shown()[after:][-3000:]}"
            assert not self._read.done(), f"it went dark: {self.shown()[-3000:]}"
            await asyncio.sleep(0.1)

    async def command(self, line: str, answers: Sequence[tuple[str, str]] = (), timeout_s: float = 1500) -> str:
        """Type a command and what it asks for; returns what it showed, once the shell waits again."""
        after = len(self.shown())
        self._type(line)
        for question, answer in answers:
            await self.shows(question, timeout_s, after)
            after = self.shown().index(question, after) + len(question)
            self._type(answer)
        await self.shows("\n" + self._prompt, timeout_s, after)
        return self.shown()[after:]

    def _type(self, line: str) -> None:
        self._writer.write(line.encode() + b"\r")

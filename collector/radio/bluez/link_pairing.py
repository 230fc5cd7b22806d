"""Pairing on one link: with limits, since a cuff may never answer, and with time for a person to read its display."""

import asyncio
from collections.abc import Awaitable
from contextlib import suppress
from typing import TypeVar

from collector.radio.bluez.bus import DEVICE, Bus, BusError

T = TypeVar("T")

PAIRING_S = 10.0  # then it is called off: bluetoothd 5.66 hears nobody else meanwhile
SUBSCRIBE_S = 9.0  # with the pairing that bluetoothd begins by itself where the cuff wants it
LONGEST_S = 60.0
LOOK_S = 0.1


class Questions:
    """What bluetoothd wants to know of cuffs' displays, by device path: asked now, answered, or asked in vain."""

    def __init__(self) -> None:
        self.open: set[str] = set()
        self.answered: set[str] = set()
        self.unanswered: set[str] = set()

    def forget(self, path: str) -> None:
        """A new link begins."""
        self.answered.discard(path)
        self.unanswered.discard(path)


class Pairing:
    def __init__(self, bus: Bus, path: str, questions: Questions) -> None:
        self.bus, self.path, self.questions = bus, path, questions

    @property
    def paired(self) -> bool:
        return bool(self.bus.get(self.path, DEVICE, "Paired"))

    async def in_time(self, seconds: float, work: Awaitable[T]) -> T:
        """As `within`, but the time in which a person reads the cuff's display does not count."""
        doing = asyncio.ensure_future(work)
        left = seconds
        try:
            while not doing.done():
                await asyncio.wait({doing}, timeout=min(LOOK_S, seconds))
                left = seconds if self.path in self.questions.open else left - LOOK_S
                if left <= 0 and not doing.done():
                    raise TimeoutError
            return doing.result()
        finally:
            await give_up(doing)

    async def ask(self) -> BusError | None:
        """Ask for a bond, until BlueZ answers or has one; returns why there is none. Never on a link that may be down.

        Where the cuff's own request was granted just before ours, bluetoothd 5.66 takes ours for one over BR/EDR and
        leaves it without an answer as long as the link is up (src/device.c, pair_device).
        """
        asked = asyncio.ensure_future(self.bus.call(self.path, DEVICE, "Pair", timeout_s=LONGEST_S))
        paired = asyncio.ensure_future(self.bus.until(self.path, DEVICE, "Paired", True, LONGEST_S))
        try:
            await self.in_time(PAIRING_S, asyncio.wait({asked, paired}, return_when=asyncio.FIRST_COMPLETED))
            if not (paired.done() and paired.result()):
                await asked
        except (BusError, TimeoutError) as failure:
            await self.call_off()
            return failure if isinstance(failure, BusError) else BusError("timeout", "no answer to Pair")
        finally:
            await give_up(asked)
            await give_up(paired)
        return None

    async def call_off(self) -> None:
        """The link stays, and bluetoothd is free for others at once."""
        with suppress(BusError):
            await self.bus.call(self.path, DEVICE, "CancelPairing")


async def give_up(doing: asyncio.Future[T]) -> None:
    """Wait for nothing more of it; what it raised by now is nobody's concern."""
    if not doing.done():
        doing.cancel()
    with suppress(asyncio.CancelledError, Exception):
        await doing

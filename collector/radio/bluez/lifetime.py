"""Whether a link over BlueZ stands, how it ended, and what is awaited of it meanwhile."""

import asyncio
from collections.abc import Awaitable, Callable
from contextlib import suppress
from typing import TypeVar

from collector.radio.bluez.bus import DEVICE, Bus, BusError
from collector.radio.bluez.link_pairing import Pairing, give_up
from collector.radio.errors import LinkLost
from collector.radio.facts import VisitOutcome

T = TypeVar("T")

SERVICES_S = 40.0  # discovery over a slow connection interval takes long


class BlueZLifetime:
    """ended: how, as soon as that is known; it may still be on its way down."""

    def __init__(self, bus: Bus, path: str, pairing: Pairing) -> None:
        self.ended: VisitOutcome | None = None
        self._bus, self._path, self._pairing = bus, path, pairing
        self._gone = asyncio.Event()

    @property
    def is_gone(self) -> bool:
        return self._gone.is_set()

    def lost(self, why: Callable[[], VisitOutcome]) -> None:
        """The link is down."""
        if not self.is_gone:
            self.ended = self.ended or why()
            self._gone.set()

    async def gone(self) -> None:
        await self._gone.wait()

    async def disconnect(self) -> None:
        """Ask for it, and wait until BlueZ says so."""
        self._bus.spawn(self._disconnect())
        await self._gone.wait()

    async def _disconnect(self) -> None:
        with suppress(BusError):
            await self._bus.call(self._path, DEVICE, "Disconnect")

    async def resolved(self) -> bool:
        """Wait for BlueZ's discovery, as long as the link is up."""
        resolved = asyncio.ensure_future(self._bus.until(self._path, DEVICE, "ServicesResolved", True, SERVICES_S))
        down = asyncio.ensure_future(self._bus.until(self._path, DEVICE, "Connected", False, SERVICES_S))
        try:
            await asyncio.wait({resolved, down}, return_when=asyncio.FIRST_COMPLETED)
            return resolved.done() and resolved.result()
        finally:
            await give_up(resolved)
            await give_up(down)

    async def while_up(self, step: Awaitable[T]) -> T:
        """The step's result, or LinkLost as soon as the link is down: no answer would come any more."""
        doing = asyncio.ensure_future(step)
        gone = asyncio.ensure_future(self._gone.wait())
        try:
            await asyncio.wait({doing, gone}, return_when=asyncio.FIRST_COMPLETED)
            if doing.done():
                return doing.result()
            raise LinkLost("the link is down")
        except asyncio.CancelledError:
            if not self._pairing.paired:  # it may be waiting for a bond that the cuff does not make
                self._bus.spawn(self._pairing.call_off())
            raise
        finally:
            gone.cancel()
            await give_up(doing)

"""All adapters that may be used: brought up as they come, and whoever waits is told what is missing."""

import asyncio
import logging
from collections.abc import Callable, Mapping, Sequence
from contextlib import AbstractAsyncContextManager, nullcontext
from typing import TYPE_CHECKING, Any

from collector.radio.bluez import bleak_internals
from collector.radio.bluez.adapter import Adapter, why_off
from collector.radio.bluez.bus import ADAPTER, NOT_RUNNING, Bus, Failure, Interfaces, Watcher
from collector.radio.port import Desk, RadioUnavailable

if TYPE_CHECKING:
    from collector.radio.bluez.agent import PairingAgent
    from collector.radio.bluez.station import Station

log = logging.getLogger("quietcuff.radio")


SETTLE_S = 0.5


class Adapters(Watcher):
    """disturbed: set when `tend` has something to do before its time. trouble: in one line, what is missing."""

    def __init__(
        self,
        bus: Bus,
        station: "Station",
        agent: "PairingAgent",
        desk: Desk,
        wanted: Callable[[str], bool],
        name: str | None,
    ) -> None:
        self.bus, self.station, self.agent, self.desk, self.wanted, self.name = bus, station, agent, desk, wanted, name
        self.disturbed = asyncio.Event()
        self.trouble: str | None = None
        self._told: str | None = None
        self._agent_known = False
        self._adapters: dict[str, Adapter] = {}
        bus.watchers.append(self)

    @property
    def up(self) -> bool:
        return any(adapter.up for adapter in self._adapters.values())

    async def tend(self) -> None:
        """Bring up what is there and not up, keep the rest scanning, tell of what is missing."""
        self.disturbed.clear()
        if self._adapters:  # bluetoothd switches adapters off when it ends: see whether it does
            await asyncio.sleep(SETTLE_S)
        wide = self.station.lost_bond()
        troubles: list[str] = []
        try:
            await self._register_agent()
            for path, _ in self.bus.each(ADAPTER):
                if self.wanted(path + "/"):
                    adapter = self._adapters.setdefault(path, Adapter(self.bus, path, self.station.seen))
                    await self._tend_one(adapter, wide, troubles)
        except Failure as failure:
            troubles.append(NOT_RUNNING if not self.bus.there else f"BlueZ: {failure}")
        if not self.bus.there:
            await self.bus.revive()
        if not self.up and not troubles:
            troubles.append(self._nothing())
        self.trouble = "; ".join(troubles) or None

    def resting(self, path: str) -> AbstractAsyncContextManager[None]:
        """Keep an adapter from discovering for a while."""
        adapter = self._adapters.get(path)
        return adapter.resting() if adapter is not None else nullcontext()

    async def stop(self) -> None:
        self.bus.watchers.remove(self)
        for adapter in self._adapters.values():
            await adapter.stop()

    async def _tend_one(self, adapter: Adapter, wide: bool, troubles: list[str]) -> None:
        try:
            if adapter.up and self.bus.get(adapter.path, ADAPTER, "Powered"):
                await adapter.tend(wide)
            else:
                switched_off = adapter.up
                await adapter.stop()
                if switched_off:  # somebody wants it off: not for us to overrule at once
                    raise why_off(adapter.name)
                await adapter.start(wide)
        except RadioUnavailable as error:
            await adapter.stop()
            troubles.append(str(error))

    async def _register_agent(self) -> None:
        if not self.bus.there:
            raise Failure("", NOT_RUNNING)
        if not self._agent_known:
            await self.agent.register(self.bus)
            self._agent_known = True

    def _nothing(self) -> str:
        there = ", ".join(path.rpartition("/")[2] for path, _ in self.bus.each(ADAPTER))
        if self.name is not None and there:
            return f"no Bluetooth adapter {self.name} here; there is {there}"
        return "no Bluetooth adapter found"

    def tell(self) -> None:
        """Say what is missing, or that nothing is any more."""
        if self._told and not self.trouble:
            log.info("Bluetooth is back")
        self.desk.tell("adapter", self.trouble)
        self._told = self.trouble

    # -- BlueZ says ----------------------------------------------------------------------------------

    def added(self, path: str, interfaces: Interfaces) -> None:
        if ADAPTER in interfaces:
            self.disturbed.set()

    def removed(self, path: str, interfaces: Sequence[str]) -> None:
        if ADAPTER in interfaces:
            gone = self._adapters.pop(path, None)
            if gone is not None:
                self.bus.spawn(gone.stop())
            self.disturbed.set()

    def changed(self, path: str, interface: str, changes: Mapping[str, Any]) -> None:
        if interface == ADAPTER and "Powered" in changes:
            self.disturbed.set()

    def owner_changed(self, there: bool) -> None:
        self._agent_known = False
        self.bus.spawn(self._start_over(list(self._adapters.values())))
        self._adapters.clear()

    async def _start_over(self, gone: list[Adapter]) -> None:
        for adapter in gone:
            await adapter.stop()
        if not self.bus.there:
            bleak_internals.forget()
        self.disturbed.set()

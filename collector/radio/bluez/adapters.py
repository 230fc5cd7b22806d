"""The adapters that we may use: each brought up, kept listening, and told of where it is missing."""

import asyncio
import logging
from collections.abc import Callable, Mapping, Sequence
from contextlib import AbstractAsyncContextManager, nullcontext
from typing import Any

from collector.radio.bluez import bleak_internals
from collector.radio.bluez.adapter import Adapter, Hearing, is_blocked, why_off
from collector.radio.bluez.agent import PATH as AGENT
from collector.radio.bluez.agent import PairingAgent
from collector.radio.bluez.bus import ADAPTER, NOT_RUNNING, Bus, BusError, Interfaces, Watcher
from collector.radio.bluez.visits import Visits
from collector.radio.errors import RadioUnavailable
from collector.radio.port import Sink

log = logging.getLogger("quietcuff.radio")

LOOK_EVERY = 8  # of so many times that it is tended, a resting adapter discovers until the next
AGENT_MANAGER = "org.bluez.AgentManager1"
SETTLE_S = 0.5


class Adapters(Watcher):
    """disturbed: set when `tend` has something to do before its time. trouble: in one line, what is missing."""

    def __init__(
        self, bus: Bus, visits: Visits, agent: PairingAgent, sink: Sink, wanted: Callable[[str], bool], name: str | None
    ) -> None:
        self.bus, self.visits, self.agent, self.sink, self.wanted, self.name = bus, visits, agent, sink, wanted, name
        self.disturbed = asyncio.Event()
        self.trouble: str | None = None
        self._told: str | None = None
        self._agent_known = ""
        self._hearing = Hearing.CUFFS
        self._rested = 0
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
        hearing = self._whom_to_hear()
        troubles: list[str] = []
        try:
            await self.register_agent()
            for path, _ in self.bus.each(ADAPTER):
                if self.wanted(path + "/"):
                    adapter = self._adapters.setdefault(path, Adapter(self.bus, path))
                    await self._tend_one(adapter, hearing, troubles)
        except BusError as failure:
            troubles.append(NOT_RUNNING if not self.bus.there else f"BlueZ: {failure}")
        if not self.bus.there:
            await self.bus.revive()
        if not self.up and not troubles:
            troubles.append(self._nothing())
        self.trouble = "; ".join(troubles) or None

    @property
    def rest(self) -> bool:
        """Whether nobody is to be heard."""
        return self._hearing is Hearing.NOBODY

    @property
    def is_news(self) -> bool:
        """Whether somebody else is to be heard than until now."""
        return self.visits.whom_to_hear() is not self._hearing

    def _whom_to_hear(self) -> Hearing:
        """A discovery that rests looks now and then whether BlueZ still connects who comes."""
        self._hearing = self.visits.whom_to_hear()
        self._rested = self._rested + 1 if self._hearing is Hearing.NOBODY else 0
        return Hearing.CUFFS if self._rested and self._rested % LOOK_EVERY == 0 else self._hearing

    def resting(self, path: str) -> AbstractAsyncContextManager[None]:
        """Keep an adapter from discovering for a while."""
        adapter = self._adapters.get(path)
        return adapter.resting() if adapter is not None else nullcontext()

    async def stop(self) -> None:
        self.bus.watchers.remove(self)
        for adapter in self._adapters.values():
            await adapter.stop()

    async def _tend_one(self, adapter: Adapter, hearing: Hearing, troubles: list[str]) -> None:
        try:
            powered = self.bus.get(adapter.path, ADAPTER, "Powered")
            if adapter.up and powered:
                await adapter.tend(hearing)
                return
            adapter.off_by_hand = not powered and (adapter.up or adapter.off_by_hand) and not is_blocked(adapter.name)
            switched_off = adapter.up
            await adapter.stop()
            if switched_off or adapter.off_by_hand:
                raise why_off(adapter.name)
            await adapter.start(hearing)
        except RadioUnavailable as error:
            await adapter.stop()
            troubles.append(str(error))

    async def register_agent(self) -> None:
        """Be asked what cuffs want to know, also for digits while somebody is there. Raises BusError.

        What bluetoothd believes of us counts for links that are made afterwards.
        """
        if not self.bus.there:
            raise BusError("", NOT_RUNNING)
        can = self.agent.capability
        if can != self._agent_known:  # a keyboard comes and goes with whoever runs `cuff add`
            if self._agent_known:
                await self.bus.call("/org/bluez", AGENT_MANAGER, "UnregisterAgent", "o", [AGENT])
            await self.agent.register(self.bus)
            self._agent_known = can

    def _nothing(self) -> str:
        there = ", ".join(path.rpartition("/")[2] for path, _ in self.bus.each(ADAPTER))
        if self.name is not None and there:
            return f"no Bluetooth adapter {self.name} here; there is {there}"
        return "no Bluetooth adapter found"

    def tell(self) -> None:
        """Say what is missing, or that nothing is any more."""
        if self._told and not self.trouble:
            log.info("Bluetooth is back")
        self.sink.tell("adapter", self.trouble)
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
        self._agent_known = ""
        self.bus.spawn(self._start_over(list(self._adapters.values())))
        self._adapters.clear()

    async def _start_over(self, gone: list[Adapter]) -> None:
        for adapter in gone:
            await adapter.stop()
        if not self.bus.there:
            bleak_internals.forget()
        self.disturbed.set()

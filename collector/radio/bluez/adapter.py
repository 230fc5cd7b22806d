"""One adapter: switched on, listening for cuffs, and kept so."""

import asyncio
import logging
from collections.abc import AsyncIterator, Callable, Mapping, Sequence
from contextlib import AbstractAsyncContextManager, asynccontextmanager, nullcontext, suppress
from enum import StrEnum
from pathlib import Path
from typing import TYPE_CHECKING, Any

from dbus_fast import Variant

from collector.radio.bluez import bleak_internals, gatt_application, stale_devices
from collector.radio.bluez.agent import PATH as AGENT
from collector.radio.bluez.bus import ADAPTER, NOT_RUNNING, Bus, BusError, Interfaces, Watcher
from collector.radio.errors import RadioUnavailable
from collector.radio.port import Sink
from parsers.uuids import Uuid, full

if TYPE_CHECKING:
    from collector.radio.bluez.agent import PairingAgent
    from collector.radio.bluez.visits import Visits


log = logging.getLogger("quietcuff.radio")

POWER_S = 5.0
LOOK_EVERY = 8  # of so many times that it is tended, a resting adapter discovers until the next
ATTEMPTS, AGAIN_S = 4, 0.5
AGENT_MANAGER = "org.bluez.AgentManager1"
SETTLE_S = 0.5


class Hearing(StrEnum):
    """Whom a discovery is to tell of."""

    NOBODY = "nobody"  # none runs: whoever may come is connected by BlueZ itself
    CUFFS = "cuffs"  # who lists the Blood Pressure Service
    EVERYBODY = "everybody"


class Adapter:
    """off_by_hand: somebody switched it off, and it stays so until somebody switches it on."""

    def __init__(self, bus: Bus, path: str) -> None:
        self.bus, self.path = bus, path
        self.name = path.rpartition("/")[2]
        self.up = False
        self._hearing = Hearing.CUFFS
        self._idle = 0
        self._resting = 0
        self._changing = asyncio.Lock()
        self._scanning = False
        self.off_by_hand = False

    async def start(self, hearing: Hearing) -> None:
        """Switch it on where it is off, register the profile, scan. Raises RadioUnavailable."""
        await self._power_on()
        await stale_devices.remove(self.bus, self.path)
        try:
            await gatt_application.register(self.bus, self.path)
        except BusError as failure:  # without it BlueZ does not connect by itself; the scan still does
            log.warning("%s: bonded cuffs will be connected by scanning only: %s", self.name, failure)
        self.up, self._hearing = True, hearing
        await self._scan_or_rest()

    async def stop(self) -> None:
        """Stop listening; never raises."""
        self.up = False
        await self._scan_or_rest()

    @asynccontextmanager
    async def resting(self) -> AsyncIterator[None]:
        """No discovery meanwhile; several may want that at once."""
        self._resting += 1
        try:
            await self._scan_or_rest()
            yield
        finally:
            self._resting -= 1
            with suppress(RadioUnavailable):  # `tend` will see to it
                await self._scan_or_rest()

    async def tend(self, hearing: Hearing) -> None:
        """Scan again where BlueZ fell silent or the filter has to change. Raises RadioUnavailable."""
        if self._resting:
            return
        silent = self._scanning and not self.bus.get(self.path, ADAPTER, "Discovering")
        self._idle = self._idle + 1 if silent else 0
        if self._idle >= 2 or hearing is not self._hearing:
            log.debug("%s: scanning anew, for %s", self.name, hearing)
            self._idle, self._hearing = 0, hearing
            async with self._changing:
                await self._halt()
        await self._scan_or_rest()

    async def _scan_or_rest(self) -> None:
        """Discover or not, as is wanted now. Raises RadioUnavailable."""
        async with self._changing:
            if not self.up or self._resting or self._hearing is Hearing.NOBODY:
                if self._scanning:
                    await self._halt()
            elif not self._scanning:
                await self._scan()

    async def _halt(self) -> None:
        self._scanning = False
        with suppress(BusError):
            await self.bus.call(self.path, ADAPTER, "StopDiscovery")

    async def _power_on(self) -> None:
        if self.bus.get(self.path, ADAPTER, "Powered"):
            return
        try:
            await self.bus.set(self.path, ADAPTER, "Powered", "b", True)
        except BusError as failure:
            if failure.name.endswith("Busy") and await self.bus.until(self.path, ADAPTER, "Powered", True, POWER_S):
                return  # bluetoothd was at it already
            if failure.name.endswith("Blocked") or is_blocked(self.name):
                raise _blocked(self.name) from failure
            raise RadioUnavailable(f"Bluetooth is off on {self.name} and cannot be switched on: {failure}") from failure
        if not await self.bus.until(self.path, ADAPTER, "Powered", True, POWER_S):
            raise RadioUnavailable(f"Bluetooth is off on {self.name}")
        log.info("%s: switched on", self.name)

    async def _scan(self) -> None:
        """Start a discovery of which every report is told: by service, or of all with their data told again and again.

        What bluetoothd counts as unfiltered is told of only when its strength changes by 8 dB; since 5.67 that is any
        filter without service and without DuplicateData (src/adapter.c, merge_discovery_filters).
        """
        wanted = {"Transport": Variant("s", "le")} | (
            {"DuplicateData": Variant("b", True)}
            if self._hearing is Hearing.EVERYBODY
            else {"UUIDs": Variant("as", [full(Uuid.BLOOD_PRESSURE_SERVICE)])}
        )
        for attempt in range(ATTEMPTS):  # an adapter that has just been switched on is busy for a moment
            try:
                await self.bus.call(self.path, ADAPTER, "SetDiscoveryFilter", "a{sv}", [wanted])
                await self.bus.call(self.path, ADAPTER, "StartDiscovery")
                break
            except BusError as error:
                if attempt == ATTEMPTS - 1:
                    raise RadioUnavailable(f"{self.name} does not scan: {error}") from error
                await self._halt()  # BlueZ may still have one of ours, as after the adapter was off for a while
                await asyncio.sleep(AGAIN_S)
        self._scanning = True


def why_off(name: str) -> RadioUnavailable:
    """What to say of an adapter that was on."""
    return _blocked(name) if is_blocked(name) else RadioUnavailable(f"Bluetooth was switched off on {name}")


def _blocked(name: str) -> RadioUnavailable:
    return RadioUnavailable(f"Bluetooth is blocked on {name}; unblock it (sudo rfkill unblock bluetooth)")


def is_blocked(name: str) -> bool:
    """Whether rfkill holds the adapter (Linux Documentation/driver-api/rfkill.rst)."""
    for switch in Path("/sys/class/bluetooth", name).glob("rfkill*"):
        with suppress(OSError):
            if "1" in ((switch / "soft").read_text().strip(), (switch / "hard").read_text().strip()):
                return True
    return False


class Adapters(Watcher):
    """disturbed: set when `tend` has something to do before its time. trouble: in one line, what is missing."""

    def __init__(
        self,
        bus: Bus,
        visits: "Visits",
        agent: "PairingAgent",
        sink: Sink,
        wanted: Callable[[str], bool],
        name: str | None,
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

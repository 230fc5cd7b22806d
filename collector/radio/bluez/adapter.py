"""One adapter: switched on, listening for cuffs, and kept so."""

import asyncio
import logging
from collections.abc import AsyncIterator
from contextlib import asynccontextmanager, suppress
from enum import StrEnum
from pathlib import Path

from dbus_fast import Variant

from collector.radio.bluez import gatt_application, stale_devices
from collector.radio.bluez.bus import ADAPTER, Bus, BusError
from collector.radio.errors import RadioUnavailable
from parsers.uuids import Uuid, full

log = logging.getLogger("quietcuff.radio")

POWER_S = 5.0
ATTEMPTS, AGAIN_S = 4, 0.5


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
        self._scanning = self._registered = False
        self.off_by_hand = False

    async def start(self, hearing: Hearing) -> None:
        """Switch it on where it is off, register the profile, scan. Raises RadioUnavailable."""
        await self._power_on()
        await stale_devices.remove(self.bus, self.path)
        await self._register()
        self.up, self._hearing = True, hearing
        await self._scan_or_rest()

    async def _register(self) -> None:
        """Without the profile BlueZ does not connect by itself; the scan still does."""
        try:
            await gatt_application.register(self.bus, self.path)
            self._registered = True
        except BusError as failure:
            level = logging.DEBUG if self.up else logging.WARNING  # told once
            log.log(level, "%s: bonded cuffs are connected by scanning only: %s", self.name, failure)

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
        if not self._registered:
            await self._register()
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

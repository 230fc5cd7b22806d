"""One adapter: switched on, listening for cuffs, and kept so."""

import asyncio
import logging
from collections.abc import AsyncIterator, Callable
from contextlib import asynccontextmanager, suppress
from pathlib import Path
from typing import TYPE_CHECKING

from collector.radio.bluez import bleak_internals, gatt_profile, stale_devices
from collector.radio.bluez.bus import ADAPTER, Bus, Failure
from collector.radio.port import RadioUnavailable
from parsers.uuids import Uuid, full

if TYPE_CHECKING:
    from bleak import BleakScanner
    from bleak.backends.device import BLEDevice
    from bleak.backends.scanner import AdvertisementData

log = logging.getLogger("quietcuff.radio")

POWER_S = 5.0
ATTEMPTS, AGAIN_S = 4, 0.5


class Adapter:
    """seen: called with the device path of everything that advertises within the filter."""

    def __init__(self, bus: Bus, path: str, seen: Callable[[str], None]) -> None:
        self.bus, self.path, self.seen = bus, path, seen
        self.name = path.rpartition("/")[2]
        self.up = False
        self._wide = False
        self._idle = 0
        self._resting = 0
        self._changing = asyncio.Lock()
        self._scanner: BleakScanner | None = None

    async def start(self, wide: bool) -> None:
        """Switch it on where it is off, register the profile, scan. Raises RadioUnavailable.

        wide: hear everybody, not only those that list the Blood Pressure Service.
        """
        await self._power_on()
        await stale_devices.remove(self.bus, self.path)
        try:
            await gatt_profile.register(self.bus, self.path)
        except Failure as failure:  # without it BlueZ does not connect by itself; the scan still does
            log.warning("%s: bonded cuffs will be connected by scanning only: %s", self.name, failure)
        self.up, self._wide = True, wide
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

    async def tend(self, wide: bool) -> None:
        """Scan again where BlueZ fell silent or the filter has to change. Raises RadioUnavailable."""
        if self._resting:
            return
        self._idle = 0 if self.bus.get(self.path, ADAPTER, "Discovering") else self._idle + 1
        if self._idle >= 2 or wide != self._wide:
            log.debug("%s: scanning anew", self.name)
            self._idle, self._wide = 0, wide
            async with self._changing:
                await self._halt()
        await self._scan_or_rest()

    async def _scan_or_rest(self) -> None:
        """Discover or not, as is wanted now. Raises RadioUnavailable."""
        async with self._changing:
            if not self.up or self._resting:
                await self._halt()
            elif self._scanner is None:
                await self._scan()

    async def _halt(self) -> None:
        scanner, self._scanner = self._scanner, None
        if scanner is not None:
            with suppress(Exception):
                await scanner.stop()

    async def _power_on(self) -> None:
        if self.bus.get(self.path, ADAPTER, "Powered"):
            return
        try:
            await self.bus.set(self.path, ADAPTER, "Powered", "b", True)
        except Failure as failure:
            if failure.name.endswith("Busy") and await self.bus.until(self.path, ADAPTER, "Powered", True, POWER_S):
                return  # bluetoothd was at it already
            if failure.name.endswith("Blocked") or _is_blocked(self.name):
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
        from bleak import BleakScanner
        from bleak.exc import BleakError

        def detected(device: "BLEDevice", _: "AdvertisementData") -> None:
            self.seen(device.details["path"])

        scanner = BleakScanner(
            detected,
            service_uuids=None if self._wide else [full(Uuid.BLOOD_PRESSURE_SERVICE)],
            bluez={"adapter": self.name, "filters": {"DuplicateData": self._wide}},
        )
        for attempt in range(ATTEMPTS):  # an adapter that has just been switched on is busy for a moment
            try:
                await scanner.start()
                break
            except (BleakError, OSError, EOFError) as error:
                if attempt == ATTEMPTS - 1:
                    raise RadioUnavailable(f"{self.name} does not scan: {error}") from error
                await bleak_internals.end_discovery(self.path)
                await asyncio.sleep(AGAIN_S)
        self._scanner = scanner


def why_off(name: str) -> RadioUnavailable:
    """What to say of an adapter that was on."""
    return _blocked(name) if _is_blocked(name) else RadioUnavailable(f"Bluetooth was switched off on {name}")


def _blocked(name: str) -> RadioUnavailable:
    return RadioUnavailable(f"Bluetooth is blocked on {name}; unblock it (sudo rfkill unblock bluetooth)")


def _is_blocked(name: str) -> bool:
    """Whether rfkill holds the adapter (Linux Documentation/driver-api/rfkill.rst)."""
    for switch in Path("/sys/class/bluetooth", name).glob("rfkill*"):
        with suppress(OSError):
            if "1" in ((switch / "soft").read_text().strip(), (switch / "hard").read_text().strip()):
                return True
    return False

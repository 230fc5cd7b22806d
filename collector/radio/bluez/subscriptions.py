"""The standing subscription: StartNotify held on one long-lived connection across the cuffs' comings and goings.

BlueZ stores a StartNotify on a cuff that is away and puts it in force before it has discovered anything, so a bonded
cuff's early records reach us. It ends with bluetoothd and with this connection; then it is armed again as soon as
the characteristic's object is there.
"""

import asyncio
import logging
from collections.abc import Callable, Mapping, Sequence
from typing import Any

from collector.radio.bluez.bus import CHARACTERISTIC, Bus, BusError, Interfaces, Watcher
from collector.radio.facts import MEASUREMENT_CHARACTERISTICS
from parsers.uuids import short

log = logging.getLogger("quietcuff.radio")

AGAIN_S = 1.0  # after BlueZ dropped a subscription
HANG_UP_S = 1.5  # for the write that tells the cuff to keep quiet


def device_of(path: str) -> str:
    """The device that an object stands under: '/org/bluez/hci0/dev_…'."""
    return "/".join(path.split("/")[:5])


def measurement(properties: Mapping[str, Any]) -> int | None:
    """The 16-bit number of a measurement characteristic; None for any other."""
    number = short(str(properties.get("UUID", "")))
    return number if number in MEASUREMENT_CHARACTERISTICS else None


class Subscriptions(Watcher):
    """wanted: whether a device is a cuff whose subscription stands. on_value: gets object path, number, octets."""

    def __init__(self, bus: Bus, wanted: Callable[[str], bool], on_value: Callable[[str, int, bytes], None]) -> None:
        self.bus, self.wanted, self.on_value = bus, wanted, on_value
        self.held: set[str] = set()
        self._asking: dict[str, asyncio.Future[None]] = {}
        self._unanswered: set[str] = set()  # asked for on the link that is up, and bluetoothd still owes an answer
        self._resting: set[str] = set()  # devices being hung up on: not to be armed again in the middle of it

    def arm_all(self) -> None:
        """Hold every characteristic that is wanted and there."""
        for path, properties in self.bus.each(CHARACTERISTIC):
            if measurement(properties) and self.wanted(device_of(path)):
                self._arm(path)

    async def hold(self, path: str) -> None:
        """Subscribe now, or wait for what was asked for already. Raises BusError."""
        if path not in self._asking:
            if path in self.held:
                return
            self._asking[path] = asking = asyncio.ensure_future(self._start(path))
            asking.add_done_callback(lambda _: self._asking.pop(path, None))
        await self._asking[path]

    async def _start(self, path: str) -> None:
        self.held.add(path)  # before the answer: the first value may come with it
        try:
            await self.bus.call(path, CHARACTERISTIC, "StartNotify", timeout_s=35)
        except BusError as failure:
            if not failure.name.endswith("InProgress") or path in self._unanswered:
                self.held.discard(path)
                raise
        except asyncio.CancelledError:  # it took too long
            self.held.discard(path)
            self._unanswered.add(path)
            raise

    async def rest(self, device: str) -> None:
        """Tell a cuff that stays on the line to keep its records: StopNotify before we hang up."""
        self._resting.add(device)
        for path in [path for path in self.held if device_of(path) == device]:
            self.held.discard(path)
            try:
                await self.bus.call(path, CHARACTERISTIC, "StopNotify", timeout_s=HANG_UP_S)
            except BusError as failure:
                log.debug("StopNotify: %s", failure)

    def resume(self, device: str) -> None:
        """The link is down: stand ready for the next one."""
        self._resting.discard(device)
        self._unanswered = {path for path in self._unanswered if device_of(path) != device}
        for path, properties in self.bus.each(CHARACTERISTIC):
            if device_of(path) == device and measurement(properties) and self.wanted(device):
                self._arm(path)

    def _arm(self, path: str) -> None:
        if path not in self.held and device_of(path) not in self._resting:
            self.bus.spawn(self._armed(path))

    async def _armed(self, path: str) -> None:
        try:
            await self.hold(path)
        except BusError as failure:
            log.debug("StartNotify on %s: %s", path, failure)

    async def _rearm(self, path: str) -> None:
        await asyncio.sleep(AGAIN_S)
        if path in self.bus.objects and self.wanted(device_of(path)):
            self._arm(path)

    # -- BlueZ says ----------------------------------------------------------------------------------

    def added(self, path: str, interfaces: Interfaces) -> None:
        properties = interfaces.get(CHARACTERISTIC)
        if properties is not None and measurement(properties) and self.wanted(device_of(path)):
            self.held.discard(path)
            self._arm(path)

    def removed(self, path: str, interfaces: Sequence[str]) -> None:
        if CHARACTERISTIC in interfaces:
            self.held.discard(path)

    def changed(self, path: str, interface: str, changes: Mapping[str, Any]) -> None:
        if interface != CHARACTERISTIC or path not in self.held:
            return
        if "Value" in changes:
            number = measurement(self.bus.objects[path][CHARACTERISTIC])
            if number is not None:
                self.on_value(path, number, bytes(changes["Value"]))
        if changes.get("Notifying") is False:
            self.held.discard(path)
            self.bus.spawn(self._rearm(path))

    def owner_changed(self, there: bool) -> None:
        self.held.clear()
        self._unanswered.clear()
        self._resting.clear()
        if there:
            self.arm_all()

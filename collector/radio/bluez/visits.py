"""One run of the BlueZ radio: notices cuffs, keeps their visits, and knows what was heard of whom."""

import asyncio
import logging
import time
from collections.abc import Callable, Mapping, Sequence
from contextlib import suppress
from dataclasses import dataclass
from typing import Any

from collector.radio.bluez.bus import ADAPTER, DEVICE, Bus, BusError, Interfaces, Watcher
from collector.radio.bluez.delivery import Delivery
from collector.radio.bluez.link import BlueZLink
from collector.radio.bluez.monitor.hci_frames import is_private
from collector.radio.bluez.subscriptions import Subscriptions, device_of
from collector.radio.port import Ending, KnownCuff, LinkLost, Outcome, RadioError, VisitPlan
from collector.radio.visit import visit
from parsers.uuids import Uuid, full

log = logging.getLogger("quietcuff.radio")

SERVICE = full(Uuid.BLOOD_PRESSURE_SERVICE)
CONNECT_S = 8.0
BLUEZ_FIRST_S = 1.0  # BlueZ connects bonded cuffs by itself in about 0.1 s; we only where it does not
NEW_BURST_S = 10.0  # silent for so long and back: somebody measured again
AGAIN_S = 1.0  # after a connection that did not come about
PAUSE_S, LONGEST_PAUSE_S = 2.0, 300.0
DOWN_S, LOOK_S = 5.0, 0.5
DEAF_S = 10.0  # a bonded cuff's services are known, and resolved again in a second or two
SETTLE_S = 0.3  # what D-Bus still has to tell about a link that ended


@dataclass(slots=True)
class Pace:
    """How a cuff is to be treated that came to nothing: less and less often, until it falls silent and comes anew."""

    seen_at: float = 0.0
    fruitless: int = 0
    not_before: float = 0.0


class Visits(Watcher):
    """Implements a link's Surroundings."""

    def __init__(
        self, bus: Bus, delivery: Delivery, plan: VisitPlan, subscriptions: bool, wanted_adapter: Callable[[str], bool]
    ) -> None:
        self.bus, self.delivery, self.plan = bus, delivery, plan
        self.sink, self.witness = delivery.sink, delivery.witness
        self.wanted_adapter = wanted_adapter
        delivery.forgotten = self.forgotten
        if self.witness is not None:
            self.witness.record_handles.is_other = self.is_other
        self.subscriptions = Subscriptions(bus, self._stands, self.bus_value) if subscriptions else None
        self.visits: dict[str, asyncio.Task[None]] = {}
        self.stopping = False
        self._pace: dict[str, Pace] = {}
        self._noted: set[str] = set()
        self._bond_missing: dict[str, str] = {}  # cuffs whose bond was found gone: 'ours' or 'cuff'
        self._connecting = asyncio.Lock()

    def begin(self) -> None:
        """Take up what is there: subscriptions to stand, links that are up already."""
        if self.subscriptions is not None:
            self.bus.watchers.append(self.subscriptions)
            self.subscriptions.arm_all()
        self.bus.watchers.append(self)
        for path, _ in self.bus.each(DEVICE):
            self.consider(path)

    async def end(self) -> None:
        """Hang up and finish all visits."""
        self.stopping = True
        for task in self.visits.values():
            task.cancel()
        await asyncio.gather(*self.visits.values(), return_exceptions=True)
        if self.witness is not None:
            self.witness.drain()

    @property
    def known(self) -> dict[str, KnownCuff]:
        return self.delivery.known

    def lost_bond(self) -> bool:
        """Whether a cuff that was bonded is not so here any more: it may advertise without naming its service."""
        bonded = {device.get("Address") for _, device in self.bus.each(DEVICE) if device.get("Paired")}
        return any(cuff.bonded and cuff.address not in bonded for cuff in self.known.values())

    # -- who is to be visited ------------------------------------------------------------------------

    def is_cuff(self, path: str) -> bool:
        """A device that lists or has the Blood Pressure Service, or that we have met, on an adapter of ours."""
        device = self.bus.objects.get(path, {}).get(DEVICE)
        return (
            device is not None
            and self.wanted_adapter(path)
            and (device.get("Address") in self.known or SERVICE in device.get("UUIDs", ()))
        )

    def is_other(self, address: str) -> bool:
        """BlueZ has discovered this device and it is no cuff."""
        return any(
            device.get("Address") == address and device.get("ServicesResolved") and not self.is_cuff(path)
            for path, device in self.bus.each(DEVICE)
        )

    def address_of(self, path: str) -> str:
        return str(self.bus.get(path, DEVICE, "Address", path.rpartition("/")[2]))

    def admits(self, path: str) -> bool:
        """A cuff that the sink accepts; one that it does not is noted once and left alone."""
        if not self.is_cuff(path):
            return False
        address = self.address_of(path)
        if self.sink.accepts(address):
            return True
        if address not in self._noted:
            self._noted.add(address)
            log.info("%s is a cuff that this station does not accept; left alone", address)
        return False

    def _stands(self, path: str) -> bool:
        address = self.address_of(path)
        return address in self.known and self.sink.accepts(address)

    def seen(self, path: str) -> None:
        """It advertises."""
        if not self.is_cuff(path):
            return
        now = time.monotonic()
        pace = self._pace.setdefault(path, Pace())
        if now - pace.seen_at > NEW_BURST_S:
            pace.fruitless, pace.not_before = 0, 0.0
        pace.seen_at = now
        self.consider(path, advertising=True)

    def consider(self, path: str, advertising: bool = False) -> None:
        """Visit it if it is a cuff, is there, and is not being visited."""
        if self.stopping or path in self.visits or not self.admits(path):
            return
        self._look_at_bond(path)
        connected = bool(self.bus.get(path, DEVICE, "Connected"))
        if not connected and not (advertising and time.monotonic() >= self._pace.setdefault(path, Pace()).not_before):
            return
        task = asyncio.create_task(self._visit(path))
        self.visits[path] = task
        task.add_done_callback(lambda _: self._visited(path))

    def _look_at_bond(self, path: str) -> None:
        address = self.address_of(path)
        if address in self.known and self.known[address].bonded and not self.bus.get(path, DEVICE, "Paired"):
            self._bond_missing.setdefault(address, "ours")

    def _visited(self, path: str) -> None:
        self.visits.pop(path, None)
        if self.bus.get(path, DEVICE, "Connected"):  # it came back while we were still tidying up
            self.consider(path)

    # -- a visit -------------------------------------------------------------------------------------

    async def _visit(self, path: str) -> None:
        link: BlueZLink | None = None
        try:
            if not await self._connected(path):
                return
            log.debug("%s: connected", self.address_of(path))
            link = await BlueZLink.open(self, path, self.sink.source)
            log.debug("%s: discovered", self.address_of(path))
            self.delivery.links[path] = link
            link.heard = self.delivery.early(link.cuff)
            if not self.bus.get(path, DEVICE, "Connected"):
                link.lost()
            if self.bus.get(path, DEVICE, "AddressType") == "random" and is_private(link.cuff):
                with suppress(RadioError):  # its own address shows in pairing only
                    await link.secure()
            await visit(link, self.sink, self.plan)
        except LinkLost as error:
            log.info("%s left before it could be asked anything: %s", self.address_of(path), error)
        except Exception:
            log.exception("visit to %s", self.address_of(path))
        finally:
            await self._after(path, link)

    async def _connected(self, path: str) -> bool:
        """Get the link up, unless BlueZ has done so or does."""
        if self.bus.get(path, DEVICE, "Connected") or (
            self.bus.get(path, DEVICE, "Paired")
            and await self.bus.until(path, DEVICE, "Connected", True, BLUEZ_FIRST_S)
        ):
            return await self._awake(path)
        return await self._connect(path)

    async def _connect(self, path: str) -> bool:
        async with self._connecting:  # an adapter makes one link at a time
            log.debug("%s: connecting", self.address_of(path))
            call = asyncio.create_task(self.bus.call(path, DEVICE, "Connect", timeout_s=60))
            call.add_done_callback(lambda task: task.cancelled() or task.exception())
            up = asyncio.create_task(self.bus.until(path, DEVICE, "Connected", True, CONNECT_S))
            await asyncio.wait({call, up}, return_when=asyncio.FIRST_COMPLETED)
            if call.done() and call.exception() is not None:
                log.debug("connecting %s: %s", self.address_of(path), call.exception())
                up.cancel()
            with suppress(asyncio.CancelledError):
                await up
            if self.bus.get(path, DEVICE, "Connected"):
                return True
            call.cancel()
            with suppress(BusError):
                await self.bus.call(path, DEVICE, "Disconnect")  # takes the attempt back
            self._pace.setdefault(path, Pace()).not_before = time.monotonic() + AGAIN_S
            return False

    async def _awake(self, path: str) -> bool:
        """Whether BlueZ gets on with a link that it made by itself; else make it anew.

        bluetoothd 5.66 drops its end of a link, yet leaves it up, when the cuff has it encrypted before bluetoothd
        asks for that (device_attach_att, 'setsockopt(BT_SECURITY): Invalid argument'). The cuff then waits in vain
        for a confirmation and keeps its record. A link that we ask for does not run into this.
        """
        while not await self.bus.until(path, DEVICE, "ServicesResolved", True, DEAF_S):
            if not self.bus.get(path, DEVICE, "Connected"):
                return False
            if time.monotonic() - self.delivery.heard_at > DEAF_S:
                log.info("%s: BlueZ is deaf on this link; made anew", self.address_of(path))
                with suppress(BusError):
                    await self.bus.call(path, DEVICE, "Disconnect")
                return await self.bus.until(path, DEVICE, "Connected", False, DOWN_S) and await self._connect(path)
        return True

    async def _after(self, path: str, link: BlueZLink | None) -> None:
        """Tidy up; the next visit to this cuff begins only after."""
        try:
            hangs = link is None or not link.is_gone  # where it went, a link that is up now is the next one
            if link is not None:
                await link.close()
                self._slow_down(path) if not link.heard else self._pace.pop(path, None)
            if not self.stopping:
                if hangs:
                    await self._down(path)
                await asyncio.sleep(SETTLE_S)
            self.delivery.compare()
            self.delivery.refresh()  # a cuff that was new is known from now on
        finally:
            self.delivery.links.pop(path, None)
            if self.subscriptions is not None:
                self.subscriptions.resume(path)

    async def _down(self, path: str) -> None:
        """Wait until the link is down, or is up again already; end it where it hangs."""
        for _ in range(round(DOWN_S / LOOK_S)):
            if await self.bus.until(path, DEVICE, "Connected", False, LOOK_S) or path not in self.bus.objects:
                return
            if self.witness is not None and self.witness.has_link(self.address_of(path)):
                return  # it came back before bluetoothd told of its leaving
        with suppress(BusError):
            await self.bus.call(path, DEVICE, "Disconnect")

    def _slow_down(self, path: str) -> None:
        pace = self._pace.setdefault(path, Pace())
        pace.fruitless += 1
        pace.not_before = time.monotonic() + min(PAUSE_S * 2 ** (pace.fruitless - 1), LONGEST_PAUSE_S)

    # -- bonds ---------------------------------------------------------------------------------------

    def forgotten(self, address: str) -> None:
        """The cuff has lost its side of the bond."""
        self.bus.spawn(self._mend(address))

    async def _mend(self, address: str) -> None:
        """The cuff has forgotten the bond: forget it here too, so that the next visit can make a new one."""
        text = (
            f"{address} has forgotten its bond with this computer; it is paired anew at its next visit "
            "(put it in pairing mode if it does not come)"
        )
        self.sink.tell(f"bond {address}", text)
        self._bond_missing[address] = "cuff"
        for path, device in list(self.bus.each(DEVICE)):
            if device.get("Address") == address and device.get("Paired"):
                with suppress(BusError):
                    await self.bus.call(device["Adapter"], ADAPTER, "RemoveDevice", "o", [path])
                self._pace.pop(path, None)

    # -- what a link needs ---------------------------------------------------------------------------

    def discovered(self, cuff: str, handles: dict[int, int]) -> None:
        if self.witness is not None:
            self.witness.discovered(cuff, handles)

    def bus_value(self, path: str, number: int, value: bytes) -> None:
        self.delivery.bus_value(self.address_of(device_of(path)), number, value)

    def how_it_ended(self, cuff: str) -> Outcome:
        return self.delivery.how_it_ended(cuff)

    def bond_missing_on(self, cuff: str) -> str | None:
        return self._bond_missing.get(cuff)

    def paired(self, path: str) -> None:
        address = self.address_of(path)
        if self._bond_missing.pop(address, None):
            log.info("%s: paired anew", address)
        self.sink.tell(f"bond {address}", None)  # may have been told before we were started again

    # -- BlueZ says ----------------------------------------------------------------------------------

    def added(self, path: str, interfaces: Interfaces) -> None:
        if DEVICE in interfaces:
            self.consider(path)

    def removed(self, path: str, interfaces: Sequence[str]) -> None:
        if DEVICE in interfaces and path not in self.visits:
            self._pace.pop(path, None)

    def changed(self, path: str, interface: str, changes: Mapping[str, Any]) -> None:
        if interface != DEVICE:
            return
        if changes.get("Connected") is False and path in self.delivery.links:
            self.delivery.links[path].lost()
        elif {"Connected", "UUIDs", "ServicesResolved"} & changes.keys():
            self.consider(path)

    def owner_changed(self, there: bool) -> None:
        if there:
            for path, _ in self.bus.each(DEVICE):
                self.consider(path)
            return
        for link in self.delivery.links.values():
            link.lost(Outcome(Ending.FAILED, "bluetoothd went away"))

"""One run of the BlueZ radio: notices cuffs, keeps their visits, and knows what was heard of whom."""

import asyncio
import logging
import time
from collections import Counter
from collections.abc import Callable, Mapping
from contextlib import suppress
from dataclasses import dataclass
from datetime import UTC, datetime
from typing import Any

from collector.radio.bluez import bleakside
from collector.radio.bluez.bus import ADAPTER, DEVICE, Bus, Failure, Interfaces, Watcher
from collector.radio.bluez.hci import is_private
from collector.radio.bluez.ledger import Value
from collector.radio.bluez.link import BlueZLink
from collector.radio.bluez.reception import Reception
from collector.radio.bluez.standing import Standing, device_of
from collector.radio.bluez.tally import Tally
from collector.radio.bluez.witness import Witness
from collector.radio.port import Arrival, LinkLost, NotTaken, RadioError, VisitPlan
from collector.radio.visit import visit
from parsers.uuids import Uuid, full

log = logging.getLogger("quietcuff.radio")

SERVICE = full(Uuid.BLOOD_PRESSURE_SERVICE)
CONNECT_S = 8.0
BLUEZ_FIRST_S = 1.0  # BlueZ connects bonded cuffs by itself in about 0.1 s; we only where it does not
NEW_BURST_S = 10.0  # silent for so long and back: somebody measured again
PAUSE_S, LONGEST_PAUSE_S = 2.0, 300.0
DOWN_S, LOOK_S = 5.0, 0.5
DEAF_S = 10.0  # a bonded cuff's services are known, and resolved again in a second or two
SETTLE_S = 0.3  # what D-Bus still has to tell about a link that ended
ENDINGS = {0x13: "cuff left", 0x14: "cuff left", 0x15: "cuff left", 0x16: "we left", 0x08: "link lost",
           0x05: "failed: the cuff and this computer no longer share a bond",
           0x06: "failed: the cuff has forgotten this computer", 0x3D: "failed: encryption did not match"}


@dataclass(slots=True)
class Pace:
    """How a cuff is to be treated that came to nothing: less and less often, until it falls silent and comes anew."""

    seen_at: float = 0.0
    fruitless: int = 0
    not_before: float = 0.0


class Station(Watcher):
    """Implements the witness's Audience and a link's Surroundings."""

    def __init__(self, bus: Bus, reception: Reception, plan: VisitPlan, witness: Witness | None,
                 standing: bool, wanted_adapter: Callable[[str], bool]) -> None:
        self.bus, self.reception, self.plan, self.witness = bus, reception, plan, witness
        self.wanted_adapter = wanted_adapter
        self.standing = Standing(bus, self._stands, self.bus_value) if standing else None
        self.links: dict[str, BlueZLink] = {}  # by device path
        self.visits: dict[str, asyncio.Task[None]] = {}
        self.known = {cuff.address: cuff for cuff in reception.known()}
        self.stopping = False
        self.tally = Tally()
        self._early: Counter[str] = Counter()  # records before there was a link to count them
        self._pace: dict[str, Pace] = {}
        self._noted: set[str] = set()
        self._endings: dict[str, str] = {}
        self._connecting = asyncio.Lock()
        self._heard_at = 0.0

    def begin(self) -> None:
        """Take up what is there: subscriptions to stand, links that are up already."""
        if self.standing is not None:
            self.bus.watchers.append(self.standing)
            self.standing.arm_all()
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

    def refresh(self) -> None:
        """Ask the desk again whom it knows."""
        self.known = {cuff.address: cuff for cuff in self.reception.known()}
        if self.witness is not None:
            self.witness.roster.update(tuple(self.known.values()))
            self.witness.refresh()

    def lost_bond(self) -> bool:
        """Whether a cuff that was bonded is not so here any more: it may advertise without naming its service."""
        bonded = {device.get("Address") for _, device in self.bus.each(DEVICE) if device.get("Paired")}
        return any(cuff.bonded and cuff.address not in bonded for cuff in self.known.values())

    # -- who is to be visited ------------------------------------------------------------------------

    def is_cuff(self, path: str) -> bool:
        """A device that lists or has the Blood Pressure Service, or that we have met, on an adapter of ours."""
        device = self.bus.objects.get(path, {}).get(DEVICE)
        return (device is not None and self.wanted_adapter(path)
                and (device.get("Address") in self.known or SERVICE in device.get("UUIDs", ())))

    def is_other(self, address: str) -> bool:
        """BlueZ has discovered this device and it is no cuff."""
        return any(device.get("Address") == address and device.get("UUIDs") and not self.is_cuff(path)
                   for path, device in self.bus.each(DEVICE))

    def address_of(self, path: str) -> str:
        return str(self.bus.get(path, DEVICE, "Address", path.rpartition("/")[2]))

    def admits(self, path: str) -> bool:
        """A cuff that the desk accepts; one that it does not is noted once and left alone."""
        if not self.is_cuff(path):
            return False
        address = self.address_of(path)
        if self.reception.accepts(address):
            return True
        if address not in self._noted:
            self._noted.add(address)
            log.info("%s is a cuff that this station does not accept; left alone", address)
        return False

    def _stands(self, path: str) -> bool:
        address = self.address_of(path)
        return address in self.known and self.reception.accepts(address)

    def seen(self, path: str) -> None:
        """It advertises."""
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
        connected = bool(self.bus.get(path, DEVICE, "Connected"))
        if not connected and not (advertising and time.monotonic() >= self._pace.setdefault(path, Pace()).not_before):
            return
        task = asyncio.create_task(self._visit(path))
        self.visits[path] = task
        task.add_done_callback(lambda _: self._visited(path))

    def _visited(self, path: str) -> None:
        self.visits.pop(path, None)
        if self.bus.get(path, DEVICE, "Connected"):  # it came back while we were still tidying up
            self.consider(path)

    # -- a visit -------------------------------------------------------------------------------------

    async def _visit(self, path: str) -> None:
        link: BlueZLink | None = None
        try:
            if not await self._connected(path) or not await self._awake(path):
                return
            log.debug("%s: connected", self.address_of(path))
            link = await BlueZLink.open(self, path, self.reception.source)
            log.debug("%s: discovered", self.address_of(path))
            self.links[path] = link
            link.heard = self._early.pop(link.cuff, 0)
            if not self.bus.get(path, DEVICE, "Connected"):
                link.lost()
            if self.bus.get(path, DEVICE, "AddressType") == "random" and is_private(link.cuff):
                with suppress(RadioError):  # its own address shows in pairing only
                    await link.secure()
            await visit(link, self.reception, self.plan)
        except LinkLost as error:
            log.info("%s left before it could be asked anything: %s", self.address_of(path), error)
        except Exception:
            log.exception("visit to %s", self.address_of(path))
        finally:
            await self._after(path, link)

    async def _connected(self, path: str) -> bool:
        """Get the link up, unless BlueZ has done so or does."""
        if self.bus.get(path, DEVICE, "Connected"):
            return True
        if self.bus.get(path, DEVICE, "Paired") and \
                await self.bus.until(path, DEVICE, "Connected", True, BLUEZ_FIRST_S):
            return True
        async with self._connecting:  # an adapter makes one link at a time
            log.debug("%s: connecting", self.address_of(path))
            call = asyncio.create_task(self.bus.call(path, DEVICE, "Connect", timeout_s=60))
            up = asyncio.create_task(self.bus.until(path, DEVICE, "Connected", True, CONNECT_S))
            await asyncio.wait({call, up}, return_when=asyncio.FIRST_COMPLETED)
            if call.done() and call.exception() is not None:
                log.debug("connecting %s: %s", self.address_of(path), call.exception())
                up.cancel()
            with suppress(asyncio.CancelledError):
                await up
            call.add_done_callback(lambda task: task.cancelled() or task.exception())
            if self.bus.get(path, DEVICE, "Connected"):
                return True
            call.cancel()
            with suppress(Failure):
                await self.bus.call(path, DEVICE, "Disconnect")  # takes the attempt back
            self._slow_down(path)
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
            if time.monotonic() - self._heard_at > DEAF_S:
                log.info("%s: BlueZ is deaf on this link; made anew", self.address_of(path))
                with suppress(Failure):
                    await self.bus.call(path, DEVICE, "Disconnect")
                return (await self.bus.until(path, DEVICE, "Connected", False, DOWN_S)
                        and await self._connected(path))
        return True

    async def _after(self, path: str, link: BlueZLink | None) -> None:
        """Tidy up; the next visit to this cuff begins only after."""
        try:
            if link is not None:
                await link.close()
                self._slow_down(path) if not link.heard else self._pace.pop(path, None)
            if not self.stopping:
                await self._down(path)
                await asyncio.sleep(SETTLE_S)
            self._compare()
        finally:
            self.links.pop(path, None)
            if self.standing is not None:
                self.standing.resume(path)

    async def _down(self, path: str) -> None:
        """Wait until the link is down, or is up again already; end it where it hangs."""
        for _ in range(round(DOWN_S / LOOK_S)):
            if await self.bus.until(path, DEVICE, "Connected", False, LOOK_S) or path not in self.bus.objects:
                return
            if self.witness is not None and self.witness.has_link(self.address_of(path)):
                return  # it came back before bluetoothd told of its leaving
        with suppress(Failure):
            await self.bus.call(path, DEVICE, "Disconnect")

    def _slow_down(self, path: str) -> None:
        pace = self._pace.setdefault(path, Pace())
        pace.fruitless += 1
        pace.not_before = time.monotonic() + min(PAUSE_S * 2 ** (pace.fruitless - 1), LONGEST_PAUSE_S)

    def _compare(self) -> None:
        """What D-Bus showed and the witness did not is taken from D-Bus, and told: it must not happen."""
        if self.witness is None:
            return
        self.witness.drain()
        missed = self.tally.missed()
        for cuff, number, value in missed:
            with suppress(NotTaken):
                self._take(cuff, number, value, "standing subscription")
        if missed:
            self.reception.tell("witness", f"{len(missed)} record(s) of {missed[0][0]} reached us over D-Bus and not "
                                           f"through the witness ({datetime.now(UTC):%Y-%m-%d %H:%M} UTC)")

    # -- records -------------------------------------------------------------------------------------

    def record(self, address: str, characteristic: int, value: Value, mark: str) -> None:
        if not self.reception.accepts(address):
            return
        arrival = Arrival(address, characteristic, value.octets, _when(value.at_ns), "witness",
                          encrypted=value.encrypted, mark=mark)
        self.reception.take(arrival, self.reception.visit_of(address))
        self.tally.witnessed(address, characteristic, value.octets)
        self._heard(address)

    def bus_value(self, path: str, number: int, value: bytes) -> None:
        cuff = self.address_of(device_of(path))
        if self.witness is not None:
            self.tally.on_bus(cuff, number, value)
        elif self.reception.accepts(cuff):
            try:
                self._take(cuff, number, value, self.reception.source)
                self._heard(cuff)
            except NotTaken as error:
                log.error("a record of %s is lost: %s", cuff, error)

    def _take(self, cuff: str, number: int, value: bytes, source: str) -> None:
        self.reception.take(Arrival(cuff, number, value, datetime.now(UTC), source), self.reception.visit_of(cuff))

    def _heard(self, cuff: str) -> None:
        self._heard_at = time.monotonic()
        for link in self.links.values():
            if link.cuff == cuff and not link.ended:
                link.note_record()
                return
        self._early[cuff] += 1

    # -- what the witness sees -----------------------------------------------------------------------

    def link_ended(self, address: str, reason: int, unclaimed: int) -> None:
        ending = ENDINGS.get(reason, f"link lost (HCI {reason:#04x})")
        self._endings[address] = ending
        self._early.pop(address, None)
        if unclaimed and address in self.known:
            log.warning("%s: %d values at places where no measurement was ever found; not kept", address, unclaimed)
        for link in self.links.values():
            if link.cuff == address:
                link.lost(ending)
                return
        self.reception.abandon(address, ending)

    def key_missing(self, address: str) -> None:
        if address in self.known:
            self.bus.spawn(self._mend(address))

    def overflow(self, frames: int) -> None:
        text = f"the kernel had no room for {frames} frame(s) while nobody read; records may be lost"
        log.error("%s", text)
        self.reception.tell("witness", text)

    async def _mend(self, address: str) -> None:
        """The cuff has forgotten the bond: forget it here too, so that the next visit can make a new one."""
        text = (f"{address} has forgotten its bond with this computer; it is paired anew at its next visit "
                "(put it in pairing mode if it does not come)")
        log.warning("%s", text)
        self.reception.tell(f"bond {address}", text)
        for path, device in list(self.bus.each(DEVICE)):
            if device.get("Address") == address and device.get("Paired"):
                with suppress(Failure):
                    await self.bus.call(device["Adapter"], ADAPTER, "RemoveDevice", "o", [path])

    # -- what a link needs ---------------------------------------------------------------------------

    def discovered(self, cuff: str, handles: dict[int, int]) -> None:
        if self.witness is not None:
            self.witness.discovered(cuff, handles)

    def how_it_ended(self, cuff: str) -> str:
        if self.witness is not None:
            self.witness.drain()
        return self._endings.pop(cuff, "cuff left")

    def was_bonded(self, cuff: str) -> bool:
        return cuff in self.known and self.known[cuff].bonded

    def paired(self, path: str) -> None:
        self.reception.tell(f"bond {self.address_of(path)}", None)

    # -- BlueZ says ----------------------------------------------------------------------------------

    def added(self, path: str, interfaces: Interfaces) -> None:
        if DEVICE in interfaces:
            self.consider(path)

    def changed(self, path: str, interface: str, changes: Mapping[str, Any]) -> None:
        if interface != DEVICE:
            return
        if changes.get("Connected") is False and path in self.links:
            self.links[path].lost()
        elif {"Connected", "UUIDs", "ServicesResolved"} & changes.keys():
            self.consider(path)

    def owner_changed(self, there: bool) -> None:
        if there:
            for path, _ in self.bus.each(DEVICE):
                self.consider(path)
            return
        for link in self.links.values():
            link.lost("failed: bluetoothd went away")
        bleakside.forget()


def _when(at_ns: int) -> datetime:
    return datetime.fromtimestamp(at_ns // 1_000_000_000, UTC).replace(microsecond=at_ns // 1000 % 1_000_000)

"""One run of the BlueZ radio: notices cuffs, keeps their visits, and knows what was heard of whom."""

import asyncio
import logging
from collections import defaultdict
from collections.abc import Callable, Mapping, Sequence
from contextlib import suppress
from typing import Any

from collector.radio.bluez.adapter import Hearing
from collector.radio.bluez.backoff import Backoff
from collector.radio.bluez.bus import ADAPTER, DEVICE, Bus, BusError, Interfaces, Watcher
from collector.radio.bluez.connecting import SERVICE, Connecting
from collector.radio.bluez.delivery import Delivery
from collector.radio.bluez.link import BlueZLink
from collector.radio.bluez.link_pairing import Questions
from collector.radio.bluez.lost_bonds import LostBonds
from collector.radio.bluez.subscriptions import Subscriptions, device_of
from collector.radio.errors import LinkLost, RadioError
from collector.radio.facts import Ending, KnownCuff, Manner, VisitOutcome
from collector.radio.plan import VisitPlan
from collector.radio.port import NOBODY, PairingPerson
from collector.radio.visit import visit

log = logging.getLogger("quietcuff.radio")

AGAIN_S = 1.0  # after a connection that did not come about
SETTLE_S = 0.3  # what D-Bus still has to tell about a link that ended


class Visits(Watcher):
    """Implements a link's VisitingRadio."""

    def __init__(
        self,
        bus: Bus,
        delivery: Delivery,
        plan: VisitPlan,
        subscriptions: bool,
        wanted_adapter: Callable[[str], bool],
        person: PairingPerson | None = None,
    ) -> None:
        self.bus, self.delivery, self.plan = bus, delivery, plan
        self.sink, self.witness = delivery.sink, delivery.witness
        self.wanted_adapter = wanted_adapter
        delivery.key_was_missing = lambda address: self.bus.spawn(self.bonds.lost(address))
        if self.witness is not None:
            self.witness.record_handles.is_other = self.is_other
        self.subscriptions = Subscriptions(bus, self._stands, self.bus_value) if subscriptions else None
        self.visits: dict[str, asyncio.Task[None]] = {}
        self.stopping = False
        self._backoffs: defaultdict[str, Backoff] = defaultdict(Backoff)
        self._noted: set[str] = set()
        self.pair_first: set[str] = set()
        self.questions = Questions()
        self.bonds = LostBonds(bus, self.sink, lambda: self.known, person)
        self.connecting = Connecting(bus, self.questions, lambda: delivery.heard_at)

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

    def whom_to_hear(self) -> Hearing:
        """Nobody, where no new cuff is welcome and BlueZ connects every known one by itself; everybody, where one is
        waited for that may advertise without naming its service."""
        if self.delivery.awaited:
            return Hearing.EVERYBODY
        if not self.sink.accepts(NOBODY):
            come_by_themselves = self.connecting.made_without_discovery(self.wanted_adapter)
            if come_by_themselves.issuperset(self.known):
                return Hearing.NOBODY
        return Hearing.CUFFS if self.bonds.all_stand() else Hearing.EVERYBODY

    # -- who is to be visited ------------------------------------------------------------------------

    def is_cuff(self, path: str) -> bool:
        """On an adapter of ours, a device that lists or has the Blood Pressure Service, or that we know or wait for."""
        device = self.bus.objects.get(path, {}).get(DEVICE)
        return (
            device is not None
            and self.wanted_adapter(path)
            and (
                device.get("Address") in self.known
                or SERVICE in device.get("UUIDs", ())
                or device.get("Name") in self.delivery.awaited
            )
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
        known = self.known.get(address)
        return (
            known is not None
            and self.sink.accepts(address)
            and address not in self.pair_first
            # One that waits for digits: bluetoothd's own subscription would fail without a word.
            and not (known.undelivered and any(one.manner is Manner.PASSKEY for one in known.manners))
        )

    def seen(self, path: str) -> None:
        """It advertises."""
        if not self.is_cuff(path):
            return
        self._backoffs[path].seen()
        self.consider(path, advertising=True)

    def consider(self, path: str, advertising: bool = False) -> None:
        """Visit it if it is a cuff, is there, and is not being visited."""
        if self.stopping or path in self.visits or not self.admits(path) or self._is_anothers(path):
            return
        self._look_at_bond(path)
        connected = bool(self.bus.get(path, DEVICE, "Connected"))
        if connected and self.connecting.is_down(path):
            return  # bluetoothd has not noticed yet; it will tell
        if not connected and not (advertising and self._backoffs[path].is_over):
            return
        task = asyncio.create_task(self._visit(path))
        self.visits[path] = task
        task.add_done_callback(lambda _: self._visited(path))

    def _twins(self, path: str) -> list[tuple[str, dict[str, Any]]]:
        """The same cuff as other adapters of ours know it."""
        address = self.address_of(path)
        return [
            (twin, device)
            for twin, device in self.bus.each(DEVICE)
            if twin != path and device.get("Address") == address and self.wanted_adapter(twin)
        ]

    def _is_anothers(self, path: str) -> bool:
        """Whether another adapter visits this cuff, or has the bond with it: one visit at a time, and one bond."""
        return any(
            twin in self.visits
            or (
                device.get("Paired")
                and self.bus.get(device["Adapter"], ADAPTER, "Powered")
                and not self.bus.get(path, DEVICE, "Paired")
            )
            for twin, device in self._twins(path)
        )

    def _look_at_bond(self, path: str) -> None:
        address = self.address_of(path)
        paired = self.bus.get(path, DEVICE, "Paired") or any(twin.get("Paired") for _, twin in self._twins(path))
        self.bonds.note_paired(address, bool(paired))

    def _visited(self, path: str) -> None:
        self.visits.pop(path, None)
        self.consider(path)  # it may have come back while we were still tidying up

    # -- a visit -------------------------------------------------------------------------------------

    async def _visit(self, path: str) -> None:
        link: BlueZLink | None = None
        self.questions.forget(path)
        try:
            if not await self.connecting.up(path):
                if not self.bus.get(path, DEVICE, "Connected"):
                    self._backoffs[path].until(AGAIN_S)
                return
            log.debug("%s: connected", self.address_of(path))
            if not self.bus.get(path, DEVICE, "Trusted"):
                self.bus.spawn(self._trust(path))
            link = await BlueZLink.open(self, path, self.sink.source)
            log.debug("%s: discovered", self.address_of(path))
            self.delivery.links[path] = link
            link.heard = self.delivery.early(link.cuff)
            if not self.bus.get(path, DEVICE, "Connected"):
                link.lost()
            if link.pairs_first:
                with suppress(RadioError):  # the visit is the cuff's all the same
                    await link.secure()
            await visit(link, self.sink, self.plan)
        except LinkLost as error:
            log.info("%s left before it could be asked anything: %s", self.address_of(path), error)
        except Exception:
            log.exception("visit to %s", self.address_of(path))
        finally:
            await self._after(path, link)

    async def _after(self, path: str, link: BlueZLink | None) -> None:
        """Tidy up; the next visit to this cuff begins only after."""
        try:
            hangs = link is None or not link.lifetime.is_gone  # where it went, a link that is up now is the next one
            if link is not None:
                await link.close()
                self._backoffs[path].came_to_nothing() if not link.heard else self._backoffs.pop(path, None)
            if not self.stopping:
                if hangs:
                    await self.connecting.down(path, lambda: self._has_link(path))
                await asyncio.sleep(SETTLE_S)
            self.delivery.compare()
            self.delivery.refresh()  # a cuff that was new is known from now on
        finally:
            self.delivery.links.pop(path, None)
            if self.subscriptions is not None:
                self.subscriptions.resume(path)

    def _has_link(self, path: str) -> bool:
        return self.witness is not None and self.witness.has_link(self.address_of(path))

    async def _trust(self, path: str) -> None:
        """Keep its objects, and so the subscription: those of a cuff neither bonded nor trusted go after 30 s."""
        with suppress(BusError):
            await self.bus.set(path, DEVICE, "Trusted", "b", True)

    # -- what a link needs ---------------------------------------------------------------------------

    def discovered(self, cuff: str, handles: dict[int, int]) -> None:
        if self.witness is not None:
            self.witness.discovered(cuff, handles)

    def bus_value(self, path: str, number: int, value: bytes) -> None:
        self.delivery.bus_value(self.address_of(device_of(path)), number, value)

    def how_it_ended(self, cuff: str) -> VisitOutcome:
        return self.delivery.how_it_ended(cuff)

    def bond_missing_on(self, cuff: str) -> str | None:
        return self.bonds.missing.get(cuff)

    def bonded(self, path: str, visit: int) -> None:
        address = self.address_of(path)
        self.pair_first.discard(address)
        self.bonds.made(address, visit)

    # -- BlueZ says ----------------------------------------------------------------------------------

    def added(self, path: str, interfaces: Interfaces) -> None:
        if DEVICE in interfaces:
            self.seen(path) if "RSSI" in interfaces[DEVICE] else self.consider(path)

    def removed(self, path: str, interfaces: Sequence[str]) -> None:
        if DEVICE in interfaces and path not in self.visits:
            self._backoffs.pop(path, None)

    def changed(self, path: str, interface: str, changes: Mapping[str, Any]) -> None:
        if interface != DEVICE:
            return
        if "RSSI" in changes:
            self.seen(path)
        if changes.get("Connected") is False and path in self.delivery.links:
            self.delivery.links[path].lost()
        elif {"Connected", "UUIDs", "ServicesResolved"} & changes.keys():
            self.consider(path)

    def owner_changed(self, there: bool) -> None:
        self.connecting.made_by_bluez.clear()
        if there:
            for path, _ in self.bus.each(DEVICE):
                self.consider(path)
            return
        for link in self.delivery.links.values():
            link.lost(VisitOutcome(Ending.FAILED, "bluetoothd went away"))

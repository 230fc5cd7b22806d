"""The radio on Bumble: scans, connects, visits. Exclusive and virtual differ only in the adapter."""

import asyncio
import logging
import time
from contextlib import AbstractAsyncContextManager, suppress
from pathlib import Path

from bumble import core, hci
from bumble.device import Connection, ConnectionParametersPreferences

from collector.radio.errors import RadioUnavailable
from collector.radio.exclusive.background import Listed, PhyParameters, Wish, connect_first
from collector.radio.exclusive.bonds import Bonds
from collector.radio.exclusive.host import Central, TakenAdapter
from collector.radio.exclusive.link import BumbleLink
from collector.radio.exclusive.our_clock import current_time_service
from collector.radio.exclusive.scan import LEFT_ALONE_S, Advert, Advertiser, Advertisers
from collector.radio.plan import VisitPlan
from collector.radio.port import NOBODY, PairingPerson, Sink
from collector.radio.time_limit import within
from collector.radio.visit import visit

log = logging.getLogger("quietcuff.radio")

CONNECT_S = 3.0  # a cuff advertises at least every 2.5 s in its slow mode (common practice, no source)
MOST_LINKS = 5  # at once; adapters can do more, a visit is over sooner than a sixth matters
NEWS_S = 2.0  # how often the sink is asked anew whom it knows
PULSE_S = 30.0  # how often the adapter is asked whether it still lives
PATIENCE_S = 5.0  # for its answer
FAREWELL_S = 2.0
FINISH_S = 3.0  # what visits get to come to an end when the radio is told to stop
DISALLOWED = 0x0C  # HCI: Command Disallowed


def _pace() -> PhyParameters:
    return {hci.HCI_LE_1M_PHY: ConnectionParametersPreferences(supervision_timeout=4000)}


class BumbleRadio:
    """Implements Radio over any adapter that Bumble can drive.

    pause_s: between two visits to one cuff; doubled with each one that brought nothing, up to a minute.
    """

    source = "exclusive"

    def __init__(self, keys_folder: Path | None, name: str, person: PairingPerson | None, pause_s: float) -> None:
        self.progress = time.monotonic()
        self._keys_folder, self._name, self._person = keys_folder, name, person
        self.advertisers = Advertisers(self._resolve, lambda: self._wake.set(), pause_s)
        self._links: dict[int, BumbleLink] = {}
        self._visits: set[asyncio.Task[None]] = set()
        self._wake = asyncio.Event()
        self.listening = asyncio.Event()  # set while cuffs are heard
        self._scans, self._by_list = False, True  # by_list: the controller can connect by its accept list
        self._fresh: BumbleLink | None = None  # made, and nobody has taken it up yet
        self._asks = True  # who advertises for a scan response
        self._scan_yields = False  # the adapter cannot scan and connect at once

    @property
    def visiting(self) -> int:
        """Visits in progress."""
        return len(self._visits)

    def _adapter(self) -> AbstractAsyncContextManager[TakenAdapter]:
        """Take the adapter; give it back at the end. Raises RadioUnavailable."""
        raise NotImplementedError

    async def run(self, sink: Sink, plan: VisitPlan, stop: asyncio.Event) -> None:
        self._sink, self._plan = sink, plan
        bonds = Bonds(self._keys_folder)
        sink.tell("bonds", bonds.trouble)
        async with self._adapter() as adapter:
            self._device = device = Central(self._name, adapter.host, bonds, self._person)
            device.add_service(current_time_service(plan.zone))
            device.on(device.EVENT_CONNECTION, self._on_connection)
            device.on(device.EVENT_KEY_STORE_UPDATE, self.advertisers.identities.clear)
            adapter.host.on_advert = self._on_advert
            adapter.host.on_failure = lambda: adapter.gone.done() or adapter.gone.cancel()
            self._learn_known()
            try:
                await within(10.0, device.power_on())
                await self._scan(True)
            except (core.BaseBumbleError, TimeoutError, OSError) as error:
                raise RadioUnavailable(f"the adapter does not start: {error or 'no answer'}") from None
            sink.tell("adapter", None)
            self.listening.set()
            work = [
                asyncio.ensure_future(self._connect_all()),
                asyncio.ensure_future(self._pulse(adapter)),
                asyncio.ensure_future(stop.wait()),
            ]
            try:
                await asyncio.wait(work, return_when=asyncio.FIRST_COMPLETED)
            finally:
                self.listening.clear()
                for task in work[:2]:
                    task.cancel()
                await self._finish(adapter)
                work[2].cancel()
            for task in work[:2]:
                if task.done() and not task.cancelled():
                    try:
                        task.result()
                    except core.BaseBumbleError as error:
                        raise RadioUnavailable(f"the adapter does not do what it is told: {error}") from None

    async def _finish(self, adapter: TakenAdapter) -> None:
        """Let visits end, or end them; then leave the adapter quiet."""
        if adapter.gone.done():
            for link in self._links.values():
                link.lifetime.on_down()
        if self._visits:
            _, late = await asyncio.wait(self._visits, timeout=FINISH_S)
            for task in late:
                task.cancel()
            if late:
                await asyncio.wait(late, timeout=1.0)
        if not adapter.gone.done():
            with suppress(Exception):
                await within(1.0, self._device.send_sync_command(hci.HCI_Reset_Command()))

    # -- connecting ----------------------------------------------------------------------------------

    def _on_advert(self, advert: Advert) -> None:
        self.progress = time.monotonic()
        self.advertisers.on_advert(advert)

    def _resolve(self, address: bytes) -> str | None:
        resolver = self._device.address_resolver
        identity = resolver.resolve(hci.Address(address)) if resolver else None
        return identity.to_string(False).upper() if identity else None

    def _learn_known(self) -> None:
        self.advertisers.learn_known(self._sink.known(), self._sink.awaited())

    async def _scan(self, on: bool) -> None:
        self._scans = on
        if on:
            self._asks = self._new_cuffs_welcome()
            await self._device.start_scanning(
                active=self._asks, filter_duplicates=False, scanning_phys=[hci.HCI_LE_1M_PHY]
            )
        else:
            await self._device.stop_scanning()

    def _new_cuffs_welcome(self) -> bool:
        """Then scan responses are asked for: a cuff may name its service, or itself, in these alone."""
        return bool(self.advertisers.awaited) or self._sink.accepts(NOBODY)

    async def _news(self) -> None:
        """Another process may have added or forgotten a cuff, or held the door open for new ones."""
        self._learn_known()
        if self._scans and self._new_cuffs_welcome() is not self._asks:
            await self._scan(False)
            await self._scan(True)

    async def _connect_all(self) -> None:
        while True:
            self._wake.clear()
            if await self._connect_listed():
                continue
            cuff = self.advertisers.next() if len(self._visits) < MOST_LINKS else None
            if cuff is None:
                try:
                    await within(NEWS_S, self._wake.wait())
                except TimeoutError:
                    await self._news()
                continue
            heard = self.advertisers.cuffs[cuff]
            if not self._sink.accepts(cuff):
                log.debug("%s is left alone: not a known cuff", cuff)
                heard.not_before = time.monotonic() + LEFT_ALONE_S
                continue
            link = await self._connect(heard.advert)
            heard.at = 0.0  # what was heard before is used up: a connected cuff does not advertise
            if link is None:
                self.advertisers.pause(heard, fruitful=False)
                continue
            self._begin_visit(link, heard)

    def _begin_visit(self, link: BumbleLink, heard: Advertiser) -> None:
        heard.busy = True
        task = asyncio.ensure_future(self._visit(link, heard))
        self._visits.add(task)
        task.add_done_callback(self._visited)

    def _visited(self, task: asyncio.Task[None]) -> None:
        self._visits.discard(task)
        self._wake.set()

    async def _connect_listed(self) -> bool:
        """Where nobody new is welcome: no scan, until the controller has connected a known cuff by itself.

        Says whether that was the way to go; else the scan is on.
        """
        listed = self._listed()
        if self._scans is bool(listed):
            await self._scan(not listed)
        if not listed:
            return False

        def wanted() -> bool:
            self._learn_known()
            return self._listed() == listed

        if not await connect_first(self._device, listed, _pace(), Wish(wanted, self._wake, NEWS_S)):
            log.info("this adapter does not connect by an accept list: it scans")
            self._by_list = False
        link, self._fresh = self._fresh, None
        if link is not None:
            self._begin_visit(link, self.advertisers.cuffs[link.cuff])
        return True

    def _listed(self) -> Listed:
        at_once = self._by_list and len(self._visits) < MOST_LINKS and not self._new_cuffs_welcome()
        return self.advertisers.at_own_addresses() if at_once else frozenset()

    async def _connect(self, advert: Advert) -> BumbleLink | None:
        address = hci.Address(advert.address, hci.AddressType(advert.address_type))
        try:
            if self._scan_yields:
                await self._scan(False)
            connecting = self._device.connect_le(address, _pace(), timeout=CONNECT_S)
            await within(CONNECT_S + 2.0, connecting)
        except hci.HCI_Error as error:
            if error.error_code == DISALLOWED and not self._scan_yields:
                log.info("this adapter cannot scan and connect at once; scanning pauses for each connection")
                self._scan_yields = True
            elif error.error_code == DISALLOWED:  # an attempt given up on may still be under way
                with suppress(hci.HCI_Error):
                    await self._device.send_sync_command(hci.HCI_LE_Create_Connection_Cancel_Command())
            log.debug("no connection: %s", error)
        except (core.BaseBumbleError, TimeoutError) as error:
            log.debug("no connection: %s", error)
        finally:
            if self._scan_yields:
                with suppress(hci.HCI_Error):
                    await self._scan(True)
        link, self._fresh = self._fresh, None
        return link

    def _on_connection(self, connection: Connection) -> None:
        """Runs before anything is heard on the connection: nothing is missed, nothing confirmed unseen."""
        link = BumbleLink(
            device=self._device,
            connection=connection,
            sink=self._sink,
            source=self.source,
            most_records=self._plan.most_records,
        )
        self._links[connection.handle] = self._fresh = link
        connection.once(connection.EVENT_DISCONNECTION, lambda _: self._forget(connection.handle, link))

    def _forget(self, handle: int, link: BumbleLink) -> None:
        if self._links.get(handle) is link:
            del self._links[handle]
        if self._fresh is link:
            self._fresh = None

    async def _visit(self, link: BumbleLink, heard: Advertiser) -> None:
        try:
            link.name = heard.name
            self._learn_known()
            known = self.advertisers.known.get(link.cuff)
            if known is not None:
                link.remember(known)
            await link.reveal()
            await visit(link, self._sink, self._plan)
            if link.renewed_told:
                link.security.told()
        except Exception as error:
            log.error("visit to %s failed: %s: %s", link.cuff, type(error).__name__, error)
            log.debug("how", exc_info=True)
        finally:
            heard.busy = False
            self.advertisers.pause(heard, link.heard > 0)
            self.progress = time.monotonic()
            with suppress(Exception):
                await within(FAREWELL_S, link.hang_up())
            with suppress(Exception):  # a store in trouble says so elsewhere
                self._learn_known()

    # -- the adapter's life --------------------------------------------------------------------------

    async def _pulse(self, adapter: TakenAdapter) -> None:
        """Ask the adapter for a sign of life now and then; RadioUnavailable when it gives none."""
        while True:
            await asyncio.wait({adapter.gone}, timeout=PULSE_S)
            if adapter.gone.done():
                raise RadioUnavailable("the adapter is gone")
            try:
                await within(PATIENCE_S, self._device.send_sync_command(hci.HCI_Read_BD_ADDR_Command()))
            except (core.BaseBumbleError, TimeoutError):
                raise RadioUnavailable("the adapter does not answer any more") from None
            self.progress = time.monotonic()

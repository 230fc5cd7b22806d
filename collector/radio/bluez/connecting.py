"""Getting a cuff's link up over BlueZ, and seeing it down again."""

import asyncio
import logging
import time
from collections import defaultdict
from collections.abc import AsyncIterator, Awaitable, Callable
from contextlib import AbstractAsyncContextManager, asynccontextmanager, nullcontext, suppress

from collector.radio.bluez.bus import ADAPTER, DEVICE, Bus, BusError
from collector.radio.bluez.link_pairing import Pairing, Questions
from collector.radio.bluez.monitor.channel import links_now
from collector.radio.bluez.monitor.hci_frames import is_private
from parsers.uuids import Uuid, full

log = logging.getLogger("quietcuff.radio")

SERVICE = full(Uuid.BLOOD_PRESSURE_SERVICE)
CONNECT_S = 6.0  # a cuff that advertises once in 1.3 s is heard four times
BLUEZ_FIRST_S = 1.0  # BlueZ connects known cuffs by itself in about 0.1 s; we only where it does not
DOWN_S, LOOK_S = 5.0, 0.5
FIRST_S = 1.0
DEAF_S = 10.0  # a bonded cuff's services are known, and resolved again in a second or two
LONGEST_S = 120.0  # with whoever reads digits off its display


def adapter_of(path: str) -> str:
    """The adapter that a device or what is under it stands under: '/org/bluez/hci0'."""
    return "/".join(path.split("/")[:4])


async def _nothing() -> None: ...


class Connecting:
    """resting: keeps an adapter from discovering meanwhile; gets its path. prepare: done before each link.
    questions: asked of cuffs' displays, and so a reason for which bluetoothd seems deaf on a link.

    bluetoothd makes a link at the cuff's next report, and while it discovers a controller reports each advertiser once
    in 10.24 s (BlueZ 5.82: a Connect takes 10 s with discovery running, half a second without). One link at a time is
    made by an adapter, and none waits for another adapter's.
    """

    def __init__(self, bus: Bus, questions: Questions, heard_at: Callable[[], float]) -> None:
        self.bus, self.questions, self.heard_at = bus, questions, heard_at
        self.resting: Callable[[str], AbstractAsyncContextManager[None]] = lambda _: nullcontext()
        self.prepare: Callable[[], Awaitable[None]] = _nothing
        self.made_by_bluez: set[str] = set()  # adapters on which it connected the last cuff by itself
        self._locks: defaultdict[str, asyncio.Lock] = defaultdict(asyncio.Lock)

    @asynccontextmanager
    async def turn(self, adapter: str) -> AsyncIterator[None]:
        """To make a link, with the adapter's discovery resting."""
        async with self.resting(adapter), self._locks[adapter]:
            yield

    def made_without_discovery(self, wanted_adapter: Callable[[str], bool]) -> set[str]:
        """Cuffs that BlueZ connects without any: bonded, trusted, with the service that we wait for and an address of
        their own, on an adapter of which the last link was made so (src/device.c, probe_service)."""
        return {
            str(device.get("Address"))
            for path, device in self.bus.each(DEVICE)
            if device.get("Paired")
            and device.get("Trusted")
            and SERVICE in device.get("UUIDs", ())
            and not (device.get("AddressType") == "random" and is_private(str(device.get("Address"))))
            and adapter_of(path) in self.made_by_bluez
            and wanted_adapter(path)
            and self.bus.get(adapter_of(path), ADAPTER, "Powered")
        }

    def is_down(self, path: str) -> bool:
        """Whether the kernel, where it can be asked, knows of no link: bluetoothd tells of a link's end late."""
        address = str(self.bus.get(path, DEVICE, "Address", ""))
        links = links_now()
        return links is not None and not is_private(address) and address not in links.values()

    async def up(self, path: str) -> bool:
        """Get the link up, unless BlueZ has done so or does."""
        paired = bool(self.bus.get(path, DEVICE, "Paired"))
        by_itself = paired or bool(self.bus.get(path, DEVICE, "Trusted"))
        if self.bus.get(path, DEVICE, "Connected") or (
            by_itself and await self.bus.until(path, DEVICE, "Connected", True, BLUEZ_FIRST_S)
        ):
            if paired:
                self.made_by_bluez.add(adapter_of(path))
            return await self._awake(path)
        if by_itself:
            self.made_by_bluez.discard(adapter_of(path))
        return await self._connect(path)

    async def _connect(self, path: str) -> bool:
        """Whether the link came about."""
        async with self.turn(adapter_of(path)):
            if not self.bus.get(path, DEVICE, "Connected"):
                return await self._make(path)
        return await self._awake(path)  # made by BlueZ meanwhile; out of turn, as it may take one to make it anew

    async def _make(self, path: str) -> bool:
        """Ask for the link; whether it came about. The reply does not say so: it may be success without a link."""
        with suppress(BusError):
            await self.prepare()
        log.debug("%s: connecting", path)
        call = asyncio.create_task(self.bus.call(path, DEVICE, "Connect", timeout_s=60))
        call.add_done_callback(lambda task: task.cancelled() or task.exception())
        up = asyncio.create_task(self.bus.until(path, DEVICE, "Connected", True, CONNECT_S))
        await asyncio.wait({call, up}, return_when=asyncio.FIRST_COMPLETED)
        if call.done() and call.exception() is not None:
            log.debug("connecting %s: %s", path, call.exception())
            up.cancel()
        with suppress(asyncio.CancelledError):
            await up
        if self.bus.get(path, DEVICE, "Connected"):
            return True
        call.cancel()
        await self.hang_up(path)  # takes the attempt back
        return False

    async def _awake(self, path: str) -> bool:
        """Whether BlueZ gets on with a link that it made by itself; else make it anew.

        bluetoothd 5.66 drops its end of a link, yet leaves it up, when the cuff has it encrypted before bluetoothd
        asks for that (device_attach_att, 'setsockopt(BT_SECURITY): Invalid argument'). The cuff then waits in vain
        for a confirmation and keeps its record. A link that we ask for does not run into this.
        """
        while not await self._resolved(path):
            if not self.bus.get(path, DEVICE, "Connected"):
                return False
            if time.monotonic() - self.heard_at() > DEAF_S:
                log.info("%s: BlueZ is deaf on this link; made anew", self.bus.get(path, DEVICE, "Address"))
                await self.hang_up(path)
                return await self.bus.until(path, DEVICE, "Connected", False, DOWN_S) and await self._connect(path)
        return True

    async def _resolved(self, path: str) -> bool:
        """bluetoothd writes a standing subscription first; where the cuff wants digits for that, all else waits."""
        resolved = self.bus.until(path, DEVICE, "ServicesResolved", True, LONGEST_S)
        try:
            return await Pairing(self.bus, path, self.questions).in_time(DEAF_S, resolved)
        except TimeoutError:
            return False

    async def down(self, path: str, came_back: Callable[[], bool]) -> None:
        """Wait until the link is down, or is up again already; end it where it hangs."""
        for _ in range(round(DOWN_S / LOOK_S)):
            if await self.bus.until(path, DEVICE, "Connected", False, LOOK_S) or path not in self.bus.objects:
                return
            if came_back():
                return  # before bluetoothd told of its leaving
        await self.hang_up(path)

    async def hang_up(self, path: str) -> None:
        """Not in the first moment of a link: bluetoothd 5.66 crashes where one ends before its first answer."""
        if self.bus.get(path, DEVICE, "Connected"):
            await self.bus.until(path, DEVICE, "ServicesResolved", True, FIRST_S)
        with suppress(BusError):
            await self.bus.call(path, DEVICE, "Disconnect")

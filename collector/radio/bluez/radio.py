"""The BlueZ radio: the system's own stack, its payloads read where none of them can slip by."""

import asyncio
import logging
import time
from contextlib import suppress
from typing import TYPE_CHECKING

from collector.radio.bluez.monitor import descriptor_store
from collector.radio.port import Desk, RadioUnavailable, VisitPlan

if TYPE_CHECKING:
    from collector.radio.bluez.adapters import Adapters
    from collector.radio.bluez.agent import AskPasskey
    from collector.radio.bluez.bus import Bus
    from collector.radio.bluez.delivery import Keeper
    from collector.radio.bluez.monitor.channel import Channel
    from collector.radio.bluez.monitor.handover import Memory
    from collector.radio.bluez.monitor.witness import Witness
    from collector.radio.bluez.station import Station

log = logging.getLogger("quietcuff.radio")

PULSE_S = 15.0
LOSES = "without it, what a bonded cuff sends in the first moment after a boot or a restart of bluetoothd can be lost"


class BlueZRadio:
    """Implements Radio.

    adapter: such as 'hci0'; None: all there are. witness: 'auto', 'on' (refuse to run without) or 'off'.
    standing: hold subscriptions over the cuffs' comings and goings; off only to prove what it is for.
    ask_passkey: gets a cuff's address, answers with the number on its display; None: pairs only what needs none.
    """

    source = "bluez"

    def __init__(
        self,
        adapter: str | None = None,
        witness: str = "auto",
        standing: bool = True,
        ask_passkey: "AskPasskey | None" = None,
    ) -> None:
        self.adapter, self.witness, self.standing, self.ask_passkey = adapter, witness, standing, ask_passkey
        self.progress = time.monotonic()
        self._channel: Channel | None = None
        self._memory: Memory | None = None
        self._witness: Witness | None = None  # one for all runs: it knows which link is whose

    async def run(self, desk: Desk, plan: VisitPlan, stop: asyncio.Event) -> None:
        from collector.radio.bluez import bleak_internals
        from collector.radio.bluez.bus import Bus
        from collector.radio.bluez.delivery import Keeper
        from collector.radio.bluez.station import Station
        from collector.radio.bluez.visits_begun import Reception

        self.progress = time.monotonic()
        bleak_internals.quiet()
        self._open_channel(desk)
        source = "witness" if self._channel else "standing subscription" if self.standing else "bluez"
        keeper = Keeper(Reception(desk, source))
        self._start_witness(keeper)
        try:
            bus = await Bus.open()
            desk.tell("d-bus", None)
            try:
                station = Station(bus, keeper, plan, self.standing, self._wanted)
                try:
                    await self._serve(bus, station, desk, stop)
                finally:
                    await station.end()
            finally:
                await bus.close()
        finally:
            if keeper.witness is not None:
                keeper.witness.stop()

    def close(self) -> None:
        """Close the witness's socket; what systemd holds stays open."""
        if self._channel is not None:
            self._channel.close()
            self._channel = self._witness = None

    # -- the witness ---------------------------------------------------------------------------------

    def _open_channel(self, desk: Desk) -> None:
        """Open the monitor channel, or take over the one that was kept open; once, and for all runs."""
        from collector.radio.bluez.monitor.channel import NotPermitted, adopt_channel, open_channel
        from collector.radio.bluez.monitor.handover import Memory
        from collector.radio.bluez.monitor.kernel_filter import Sieve

        if self._channel is not None or self.witness == "off":
            return
        descriptor, memory = (
            descriptor_store.handed_in(descriptor_store.WITNESS),
            descriptor_store.handed_in(descriptor_store.MEMORY),
        )
        try:
            if descriptor is not None:
                self._channel = adopt_channel(descriptor, Sieve(continuations=True))
                log.info("the witness goes on with the socket that was kept open")
            else:
                self._channel = open_channel(Sieve())
        except (NotPermitted, OSError) as error:
            if self.witness == "on":
                raise RadioUnavailable(f"the witness is wanted and cannot be had: {error}") from error
            no_right = isinstance(error, NotPermitted)
            why = str(error) if no_right else f"the kernel's monitor channel cannot be opened: {error}"
            desk.tell("witness", f"{why}; {LOSES}")
            return
        desk.tell("witness", None)
        kept = descriptor_store.store(descriptor_store.WITNESS, self._channel.fileno())
        if kept or memory is not None:
            self._memory = Memory(memory)
            descriptor_store.store(descriptor_store.MEMORY, self._memory.descriptor)

    def _start_witness(self, keeper: "Keeper") -> None:
        """Read from now on, and first of all what has been waiting."""
        from collector.radio.bluez.monitor.channel import links_now
        from collector.radio.bluez.monitor.record_handles import Roster
        from collector.radio.bluez.monitor.witness import Witness

        if self._channel is None:
            return
        if self._witness is None:
            self._witness = Witness(self._channel, Roster(tuple(keeper.known.values())), keeper, self._memory)
            self._witness.know(links_now() or {})
        keeper.witness, self._witness.audience = self._witness, keeper
        keeper.refresh()
        keeper.witness.start()
        keeper.witness.drain()

    # -- the adapters --------------------------------------------------------------------------------

    def _wanted(self, path: str) -> bool:
        """Whether an object belongs to an adapter that we may use."""
        parts = path.split("/")
        return len(parts) > 3 and (self.adapter is None or parts[3] == self.adapter)

    async def _serve(self, bus: "Bus", station: "Station", desk: Desk, stop: asyncio.Event) -> None:
        """Until `stop`, or D-Bus is gone. Raises RadioUnavailable when there is nothing to work with at the start."""
        from collector.radio.bluez.adapters import Adapters
        from collector.radio.bluez.agent import PATH, PairingAgent
        from collector.radio.bluez.gatt_profile import PATH as PROFILE_PATH
        from collector.radio.bluez.gatt_profile import CuffProfile

        agent = PairingAgent(station.admits, station.address_of, self.ask_passkey)
        bus.export(PATH, agent)
        bus.export(PROFILE_PATH, CuffProfile())
        adapters = Adapters(bus, station, agent, desk, self._wanted, self.adapter)
        station.connecting.resting = adapters.resting
        try:
            await adapters.tend()
            if not adapters.up:
                raise RadioUnavailable(adapters.trouble or "no Bluetooth adapter")
            adapters.tell()
            station.begin()
            await self._tend_until(stop, bus, station, adapters)
        finally:
            await adapters.stop()

    async def _tend_until(self, stop: asyncio.Event, bus: "Bus", station: "Station", adapters: "Adapters") -> None:
        from collector.radio.bluez.bus import Failure

        waits = [asyncio.ensure_future(event.wait()) for event in (stop, bus.lost)]
        try:
            while True:
                something = asyncio.ensure_future(adapters.disturbed.wait())
                await asyncio.wait({*waits, something}, timeout=PULSE_S, return_when=asyncio.FIRST_COMPLETED)
                something.cancel()
                if stop.is_set():
                    return
                if bus.lost.is_set():
                    raise RadioUnavailable("the connection to D-Bus is lost")
                station.keeper.refresh()
                await adapters.tend()
                adapters.tell()
                with suppress(Failure):
                    if bus.there:
                        await bus.call("/org/bluez", "org.freedesktop.DBus.Peer", "Ping")
                    self.progress = time.monotonic()
        finally:
            for wait in waits:
                wait.cancel()

"""The BlueZ radio: the system's own stack, its payloads read where none of them can slip by."""

import asyncio
import logging
import time
from contextlib import suppress

from collector import systemd_notify
from collector.radio.bluez import bleak_internals, gatt_application
from collector.radio.bluez.adapters import Adapters
from collector.radio.bluez.agent import PATH, PairingAgent
from collector.radio.bluez.bus import Bus, BusError
from collector.radio.bluez.delivery import Delivery, EarlyVisits
from collector.radio.bluez.monitor.channel import MonitorChannel, NotPermitted, adopt_channel, links_now, open_channel
from collector.radio.bluez.monitor.handover import HANDOVER, WITNESS, Handover
from collector.radio.bluez.monitor.kernel_filter import KernelFilter
from collector.radio.bluez.monitor.record_handles import RecordHandles
from collector.radio.bluez.monitor.witness import Witness
from collector.radio.bluez.visits import Visits
from collector.radio.errors import RadioUnavailable
from collector.radio.plan import UseWitness, VisitPlan
from collector.radio.port import PairingPerson, Sink

log = logging.getLogger("quietcuff.radio")

PULSE_S = 15.0
NEWS_S = 2.0  # how often it is asked whether others are to be heard than until now: a new cuff's time is short
LOSES = "without it, what a bonded cuff sends in the first moment after a boot or a restart of bluetoothd can be lost"


class BlueZRadio:
    """Implements Radio.

    adapter: such as 'hci0'; None: all there are. witness: 'auto', 'on' (refuse to run without) or 'off'.
    standing: hold subscriptions over the cuffs' comings and goings; off only to prove what it is for.
    person: who can be asked for the digits on a cuff's display; None: pairs only what needs none.
    """

    source = "bluez"

    def __init__(
        self,
        adapter: str | None = None,
        witness: UseWitness = UseWitness.AUTO,
        subscriptions: bool = True,
        person: PairingPerson | None = None,
    ) -> None:
        self.adapter, self.witness, self.subscriptions, self.person = adapter, witness, subscriptions, person
        self.progress = time.monotonic()
        self._channel: MonitorChannel | None = None
        self._handover: Handover | None = None
        self._witness: Witness | None = None  # one for all runs: it knows which link is whose

    async def run(self, sink: Sink, plan: VisitPlan, stop: asyncio.Event) -> None:
        self.progress = time.monotonic()
        bleak_internals.quiet()
        self._open_channel(sink)
        source = "witness" if self._channel else "standing subscription" if self.subscriptions else "bluez"
        delivery = Delivery(EarlyVisits(sink, source))
        self._start_witness(delivery)
        try:
            bus = await Bus.open()
            sink.tell("d-bus", None)
            try:
                visits = Visits(
                    bus=bus,
                    delivery=delivery,
                    plan=plan,
                    subscriptions=self.subscriptions,
                    wanted_adapter=self._wanted,
                    person=self.person,
                )
                try:
                    await self._serve(bus, visits, sink, stop)
                finally:
                    await visits.end()
            finally:
                await bus.close()
        finally:
            if delivery.witness is not None:
                delivery.witness.stop()

    def close(self) -> None:
        """Close the witness's socket; what systemd holds stays open."""
        if self._channel is not None:
            self._channel.close()
            self._channel = self._witness = None

    # -- the witness ---------------------------------------------------------------------------------

    def _open_channel(self, sink: Sink) -> None:
        """Open the monitor channel, or take over the one that was kept open; once, and for all runs."""
        if self._channel is not None or self.witness is UseWitness.OFF:
            return
        descriptor, handover = systemd_notify.handed_in(WITNESS), systemd_notify.handed_in(HANDOVER)
        try:
            if descriptor is not None:
                self._channel = adopt_channel(descriptor, KernelFilter(continuations=True))
                log.info("the witness goes on with the socket that was kept open")
            else:
                self._channel = open_channel(KernelFilter())
        except (NotPermitted, OSError) as error:
            if self.witness is UseWitness.ON:
                raise RadioUnavailable(f"the witness is wanted and cannot be had: {error}") from error
            no_right = isinstance(error, NotPermitted)
            why = str(error) if no_right else f"the kernel's monitor channel cannot be opened: {error}"
            sink.tell("witness", f"{why}; {LOSES}")
            return
        sink.tell("witness", None)
        kept = systemd_notify.store_descriptor(WITNESS, self._channel.fileno())
        if kept or handover is not None:
            self._handover = Handover(handover)
            systemd_notify.store_descriptor(HANDOVER, self._handover.descriptor)

    def _start_witness(self, delivery: Delivery) -> None:
        """Read from now on, and first of all what has been waiting."""
        if self._channel is None:
            return
        if self._witness is None:
            self._witness = Witness(
                self._channel, RecordHandles(tuple(delivery.known.values())), delivery, self._handover
            )
            self._witness.know(links_now() or {})
        delivery.witness, self._witness.receiver = self._witness, delivery
        delivery.refresh()
        delivery.witness.start()
        delivery.witness.drain()

    # -- the adapters --------------------------------------------------------------------------------

    def _wanted(self, path: str) -> bool:
        """Whether an object belongs to an adapter that we may use."""
        parts = path.split("/")
        return len(parts) > 3 and (self.adapter is None or parts[3] == self.adapter)

    async def _serve(self, bus: Bus, visits: Visits, sink: Sink, stop: asyncio.Event) -> None:
        """Until `stop`, or D-Bus is gone. Raises RadioUnavailable when there is nothing to work with at the start."""
        agent = PairingAgent(visits.admits, visits.address_of, visits.questions, self.person)
        bus.export(PATH, agent)
        gatt_application.export(bus, visits.plan.zone)
        adapters = Adapters(bus=bus, visits=visits, agent=agent, sink=sink, wanted=self._wanted, name=self.adapter)
        visits.connecting.resting, visits.connecting.prepare = adapters.resting, adapters.register_agent
        try:
            visits.begin()  # first: a cuff is told of once a scan
            await adapters.tend()
            if not adapters.up:
                raise RadioUnavailable(adapters.trouble or "no Bluetooth adapter")
            adapters.tell()
            await self._tend_until(stop, bus, visits, adapters)
        finally:
            await adapters.stop()

    async def _tend_until(self, stop: asyncio.Event, bus: Bus, visits: Visits, adapters: Adapters) -> None:
        waits = [asyncio.ensure_future(event.wait()) for event in (stop, bus.lost)]
        tended = time.monotonic()
        try:
            while True:
                something = asyncio.ensure_future(adapters.disturbed.wait())
                await asyncio.wait(
                    {*waits, something}, timeout=min(NEWS_S, PULSE_S), return_when=asyncio.FIRST_COMPLETED
                )
                something.cancel()
                if stop.is_set():
                    return
                if bus.lost.is_set():
                    raise RadioUnavailable("the connection to D-Bus is lost")
                visits.delivery.refresh()
                if not (adapters.disturbed.is_set() or adapters.is_news or time.monotonic() - tended > PULSE_S):
                    continue
                tended = time.monotonic()
                await adapters.tend()
                adapters.tell()
                with suppress(BusError):
                    if bus.there:
                        await bus.call("/org/bluez", "org.freedesktop.DBus.Peer", "Ping")
                    self.progress = time.monotonic()
        finally:
            for wait in waits:
                wait.cancel()

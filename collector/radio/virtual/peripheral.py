"""A virtual cuff on the air: advertises when woken, and holds one conversation at a time."""

import asyncio
from collections import Counter
from contextlib import suppress
from typing import TYPE_CHECKING

from bumble import gatt_server
from bumble.att import ATT_Error
from bumble.controller import Controller
from bumble.core import UUID, BaseBumbleError
from bumble.device import Connection
from bumble.keys import MemoryKeyStore
from bumble.link import LocalLink

from collector.radio.exclusive.host import QuietHost
from collector.radio.time_limit import within
from collector.radio.virtual.behaviour import Behaviour
from collector.radio.virtual.conversation import Conversation
from collector.radio.virtual.device import STEPS, Peripheral
from collector.radio.virtual.gatt_table import TableMaker
from parsers.uuids import Uuid

if TYPE_CHECKING:
    from collector.radio.virtual.cuff import VirtualCuff

LINK_LOST = 0x08
AFTER_S = 0.005  # time for an answer to be out before the link is cut
CONFIRMATION, READ_BLOB = 0x1E, 0x0C
ATT_CHANNEL = 4


class CuffRadio:
    """Where a cuff and its controller meet. One collector at a time."""

    def __init__(self, cuff: "VirtualCuff", link: LocalLink, irk: bytes) -> None:
        self.cuff, self.memory = cuff, cuff.memory
        self.news = asyncio.Event()  # a record was measured
        self.table_moved = False  # and no collector was told yet
        self._link = link
        self._controller = Controller(cuff.name, link=link)
        host = QuietHost()
        host.controller = self._controller
        self.device = Peripheral(
            name=cuff.name, address=cuff.address, irk=irk, host=host, behaviour=self.behaviour, on_pdu=self._on_pdu
        )
        self._moved = 0
        self._lay_out()
        self.device.on(self.device.EVENT_CONNECTION, self._on_connection)
        self._conversation: Conversation | None = None
        self._running: asyncio.Task[None] | None = None
        self._tasks: set[asyncio.Task[None]] = set()
        self._came, self._over = asyncio.Event(), asyncio.Event()
        self._counts: Counter[str] = Counter()

    @property
    def behaviour(self) -> Behaviour:
        return self.cuff.behaviour

    def _lay_out(self) -> None:
        maker = TableMaker(self.behaviour, self._configure, self._configured)
        self.table = maker.make(
            lambda _: self.cuff.tell_time(),
            lambda _, value: self._set_time(value),
            lambda _, value: self._current().control(value),
            lambda _, value: self._current().consent(value),
            moved=self._moved,
        )
        self.device.gatt_server = gatt_server.Server(self.device)
        self.device.add_services(self.table.services)

    def move_table(self) -> None:
        self._moved += 2
        self._lay_out()
        self.table_moved = True
        if self._conversation is not None:
            self._conversation.connection.gatt_server = self.device.gatt_server
            self.news.set()

    async def power_on(self) -> None:
        await self.device.power_on()

    async def power_off(self) -> None:
        await self.device.stop()
        if self._running is not None:
            self.cut(LINK_LOST)
            with suppress(TimeoutError):
                await within(1.0, self._over.wait())
        self._link.remove_controller(self._controller)

    async def wake(self) -> None:
        self._came.clear()
        self._over.clear()
        await self.device.advertise(self.behaviour)
        try:
            await within(self.behaviour.advertises_s, self._came.wait())
        except TimeoutError:
            await self.device.stop()
        else:
            await self._over.wait()

    def forget_bonds(self) -> None:
        self.device.keystore = MemoryKeyStore()

    async def follow_collectors_clock(self, connection: Connection) -> None:
        """Read the collector's Current Time, where it offers that, and go by it."""
        service, characteristic = (UUID.from_16_bits(one) for one in (Uuid.CURRENT_TIME_SERVICE, Uuid.CURRENT_TIME))
        client = connection.gatt_client
        with suppress(BaseBumbleError, TimeoutError):
            for found in await client.discover_service(service):
                for clock in await client.discover_characteristics([characteristic], found):
                    self.cuff.set_time(bytes(await client.read_value(clock.handle)))

    def cut(self, reason: int | None = None) -> None:
        """Hang up at once, or lose the link."""
        if self._conversation is not None:
            if reason is None:
                self.device.cut(self._conversation.connection)
            else:
                self.device.cut(self._conversation.connection, reason)

    # -- a collector comes ---------------------------------------------------------------------------

    def _on_connection(self, connection: Connection) -> None:
        self._counts.clear()
        self._conversation = conversation = Conversation(self, connection)
        connection.on(connection.EVENT_DISCONNECTION, lambda _: self._on_disconnection(conversation))
        connection.on(connection.EVENT_CONNECTION_ENCRYPTION_CHANGE, lambda: self._on_encrypted(conversation))
        self._came.set()
        if not self.step("connect"):
            self._running = asyncio.ensure_future(conversation.run())

    def _on_encrypted(self, conversation: Conversation) -> None:
        if conversation.connection.is_encrypted and not self.step("encrypted"):
            self._tasks.add(task := asyncio.ensure_future(conversation.encrypted()))
            task.add_done_callback(self._tasks.discard)

    def _on_disconnection(self, conversation: Conversation) -> None:
        conversation.ended()
        if self._running is not None:
            self._running.cancel()
            self._running = None
        self._conversation = None
        self._over.set()

    def _current(self) -> Conversation:
        if self._conversation is None:
            raise ATT_Error(error_code=0x0E)
        return self._conversation

    # -- steps ---------------------------------------------------------------------------------------

    def step(self, name: str) -> bool:
        """A step is about to be done; True when the link was cut instead. A cut after it starts here."""
        self.cuff.steps.append(name)
        self._counts[name] += 1
        drop = self.behaviour.drop
        if drop is None or (drop.step, drop.nth) != (name, self._counts[name]):
            return False
        if self.cuff.cuts[drop] >= drop.times:
            return False
        self.cuff.cuts[drop] += 1
        if drop.when == "before":
            self.cut(LINK_LOST)
            return True
        asyncio.get_running_loop().call_later(0 if drop.when == "during" else AFTER_S, self.cut, LINK_LOST)
        return False

    def _on_pdu(self, connection: Connection, opcode: int, pdu: bytes) -> bool:
        """Name the step that a request is; True keeps it from being answered."""
        conversation = self._conversation
        if conversation is None or conversation.connection is not connection:
            return True
        conversation.stir()
        if self.behaviour.hangs_up_at is not None and self.behaviour.hangs_up_at(pdu):
            self.cut()
            return True
        name = STEPS.get(opcode)
        if name is None:
            return self._misanswer(connection, opcode, pdu, None)
        place = None
        if name in ("read", "write") and len(pdu) >= 3:
            place = self.table.short_at(int.from_bytes(pdu[1:3], "little"))
        if place is not None:
            short, configuration = place
            if name == "read" and short in self.behaviour.never_answers:
                return True
            if name == "read" and short in self.behaviour.hangs_up_when_read:
                self.cut()
                return True
            name = f"{'subscribe' if configuration else name} {short:04x}"
        if self.step(name):
            return True
        if opcode == CONFIRMATION:
            conversation.confirmed()
            return True
        return self._misanswer(connection, opcode, pdu, place)

    def _misanswer(self, connection: Connection, opcode: int, pdu: bytes, place: tuple[int, bool] | None) -> bool:
        """The answer of a hostile cuff, where it gives one."""
        behaviour = self.behaviour
        for channel, octets in behaviour.babble:
            self.device.send(connection, channel, octets)
        answer = behaviour.garble(self._counts.total(), pdu) if behaviour.garble else None
        if behaviour.endless_values and (opcode == READ_BLOB or (place and place[0] in behaviour.device)):
            answer = bytes([opcode + 1]) + b"x" * (connection.att_mtu - 1)
        if answer is not None:
            self.device.send(connection, ATT_CHANNEL, answer)
        return answer is not None

    # -- what collectors read and write --------------------------------------------------------------

    def _configured(self, connection: Connection, short: int) -> bytes:
        return self._current().subscribed.get(short, b"\x00\x00")

    def _configure(self, connection: Connection, short: int, value: bytes) -> None:
        if self.behaviour.demands_digits and not self.device.bond_has_digits(connection):
            raise ATT_Error(error_code=0x05)  # Insufficient Authentication
        self._current().configure(short, value)

    def _set_time(self, value: bytes) -> None:
        self.cuff.set_time(value)
        self._current().clock_was_set()
        if self.behaviour.clock_reserves:
            raise ATT_Error(error_code=0x80)

"""One long-lived D-Bus connection to BlueZ: its objects as they are now, calls, and what changes.

Sources: D-Bus Specification (ObjectManager, Properties, NameOwnerChanged), BlueZ doc/*-api.txt.
"""

import asyncio
import logging
import time
from collections.abc import Coroutine, Iterator, Mapping, Sequence
from contextlib import suppress
from typing import Any

from dbus_fast import AuthError, BusType, Message, MessageFlag, MessageType, Variant, unpack_variants
from dbus_fast.aio import MessageBus

from collector.radio.errors import RadioUnavailable

log = logging.getLogger("quietcuff.radio")

BLUEZ = "org.bluez"
ADAPTER, DEVICE = "org.bluez.Adapter1", "org.bluez.Device1"
CHARACTERISTIC = "org.bluez.GattCharacteristic1"
OBJECT_MANAGER, PROPERTIES = "org.freedesktop.DBus.ObjectManager", "org.freedesktop.DBus.Properties"
DBUS, DBUS_PATH = "org.freedesktop.DBus", "/org/freedesktop/DBus"
SYSTEMD = "org.freedesktop.systemd1"
CALL_S = 10.0
GREET_AGAIN_S = 1.0
REVIVE_S = 10.0  # systemd gives up on a unit that is started five times in ten seconds
_NO_OWNER = tuple(f"org.freedesktop.DBus.Error.{name}" for name in ("ServiceUnknown", "NameHasNoOwner", "NoReply"))
NOT_RUNNING = "bluetoothd is not running; start it (sudo systemctl enable --now bluetooth)"

Interfaces = Mapping[str, Mapping[str, Any]]


class BusError(Exception):
    """An error reply. name: the D-Bus error's."""

    def __init__(self, name: str, text: str) -> None:
        super().__init__(text or name)
        self.name = name


class Watcher:
    """Told of changes, after `Bus.objects` shows them. Overrides what it cares for."""

    def added(self, path: str, interfaces: Interfaces) -> None: ...

    def removed(self, path: str, interfaces: Sequence[str]) -> None: ...

    def changed(self, path: str, interface: str, changes: Mapping[str, Any]) -> None: ...

    def owner_changed(self, there: bool) -> None:
        """bluetoothd went away or came up; `objects` is empty or filled anew."""


class Bus:
    """Open with `await Bus.open()`; `lost` is set when the connection itself is gone."""

    def __init__(self) -> None:
        self.objects: dict[str, dict[str, dict[str, Any]]] = {}
        self.there = False  # bluetoothd is on the bus
        self.lost = asyncio.Event()
        self.watchers: list[Watcher] = []
        self._owner = ""  # bluetoothd's unique name, where it came up since
        self._revive_again_at = 0.0
        self._tasks: set[asyncio.Task[None]] = set()
        self._bus: MessageBus

    @classmethod
    async def connect(cls, timeout_s: float = CALL_S) -> "Bus":
        """Only the connection, for a few calls: nothing is watched. Raises RadioUnavailable."""
        self = cls()
        try:
            self._bus = MessageBus(bus_type=BusType.SYSTEM)
            try:
                await asyncio.wait_for(self._bus.connect(), timeout_s)
            except BaseException:
                self._bus.disconnect()
                raise
        except AuthError as error:
            raise RadioUnavailable(f"the system D-Bus does not let us in: {error}") from error
        except (OSError, TimeoutError, EOFError, ValueError) as error:
            raise RadioUnavailable(
                f"no system bus ({getattr(error, 'strerror', None) or str(error) or 'no answer'}): "
                "install and start it (sudo apt install dbus; sudo systemctl start dbus)"
            ) from error
        return self

    @classmethod
    async def open(cls) -> "Bus":
        """Raises RadioUnavailable: no D-Bus, no right to use it, no bluetoothd."""
        self = await cls.connect()
        try:
            await self._watch()
        except BaseException:
            await self.close()
            raise
        return self

    async def close(self) -> None:
        """Close the connection; BlueZ forgets our agent, profile and subscriptions with it."""
        self._bus.disconnect()
        await asyncio.sleep(0)
        for task in self._tasks:
            task.cancel()
        await asyncio.gather(*self._tasks, return_exceptions=True)

    def export(self, path: str, interface: Any) -> None:
        self._bus.export(path, interface)

    def spawn(self, work: Coroutine[Any, Any, None]) -> None:
        """Run something beside; it ends with the connection at the latest."""
        task = asyncio.create_task(work)
        self._tasks.add(task)
        task.add_done_callback(self._tasks.discard)

    # -- asking --------------------------------------------------------------------------------------

    async def call(
        self,
        path: str,
        interface: str,
        member: str,
        signature: str = "",
        body: Sequence[Any] = (),
        destination: str = BLUEZ,
        timeout_s: float = CALL_S,
        starts_it: bool = False,
    ) -> list[Any]:
        """Call a method. Raises BusError, also when the connection is lost or no answer comes.

        starts_it: have D-Bus start the service where it is down, be it that somebody stopped it.
        """
        message = Message(
            destination=destination,
            path=path,
            interface=interface,
            member=member,
            signature=signature,
            body=list(body),
            flags=MessageFlag.NONE if starts_it else MessageFlag.NO_AUTOSTART,
        )
        try:
            reply = await asyncio.wait_for(self._bus.call(message), timeout_s)
        except TimeoutError:
            raise BusError("timeout", f"no answer to {member}") from None
        except (OSError, EOFError) as error:
            self.lost.set()
            raise BusError("lost", "the connection to D-Bus is lost") from error
        if reply is None:
            raise BusError("lost", "the connection to D-Bus is lost")
        if reply.message_type is MessageType.ERROR:
            text = reply.body[0] if reply.body and isinstance(reply.body[0], str) else ""
            raise BusError(reply.error_name or "", text)
        return list(reply.body)

    async def set(self, path: str, interface: str, name: str, signature: str, value: Any) -> None:
        await self.call(path, PROPERTIES, "Set", "ssv", [interface, name, Variant(signature, value)])

    def get(self, path: str, interface: str, name: str, default: Any = None) -> Any:
        """A property as last told; no round trip."""
        return self.objects.get(path, {}).get(interface, {}).get(name, default)

    def each(self, interface: str) -> Iterator[tuple[str, dict[str, Any]]]:
        """All objects that have an interface, with its properties."""
        for path, interfaces in list(self.objects.items()):
            if interface in interfaces:
                yield path, interfaces[interface]

    async def until(self, path: str, interface: str, name: str, value: Any, timeout_s: float) -> bool:
        """Wait until a property has a value; False when time is up, the object goes away or bluetoothd does."""
        if self.get(path, interface, name) == value:
            return True
        wait = _Wait(bus=self, path=path, interface=interface, name=name, value=value)
        self.watchers.append(wait)
        try:
            return await asyncio.wait_for(wait.outcome, timeout_s)
        except TimeoutError:
            return False
        finally:
            self.watchers.remove(wait)

    async def revive(self) -> None:
        """Have bluetoothd started again where it crashed; never where somebody stopped it. Never raises.

        D-Bus activation does it and asks for no right while the unit is enabled; Debian 12 leaves it down otherwise.
        """
        try:
            (unit,) = await self.call(
                "/org/freedesktop/systemd1", f"{SYSTEMD}.Manager", "GetUnit", "s", ["bluetooth.service"], SYSTEMD
            )
            (state,) = await self.call(unit, PROPERTIES, "Get", "ss", [f"{SYSTEMD}.Unit", "ActiveState"], SYSTEMD)
            if state.value == "failed" and time.monotonic() >= self._revive_again_at:
                self._revive_again_at = time.monotonic() + REVIVE_S
                log.info("bluetoothd has crashed; started again")
                await self.call(DBUS_PATH, DBUS, "StartServiceByName", "su", [BLUEZ, 0], DBUS, timeout_s=30)
        except BusError as failure:
            log.debug("bluetoothd is not started again: %s", failure)

    # -- listening -----------------------------------------------------------------------------------

    async def _watch(self) -> None:
        self._bus.add_message_handler(self._handle)
        self.spawn(self._await_loss())
        try:
            for rule in (
                f"type='signal',sender='{DBUS}',member='NameOwnerChanged',arg0='{BLUEZ}'",
                f"type='signal',sender='{BLUEZ}',interface='{OBJECT_MANAGER}'",
                f"type='signal',sender='{BLUEZ}',interface='{PROPERTIES}',member='PropertiesChanged'",
            ):
                await self.call(DBUS_PATH, DBUS, "AddMatch", "s", [rule], destination=DBUS)
            self.objects, self.there = await self._ask_objects(starts_it=True), True
        except BusError as failure:
            if failure.name in _NO_OWNER:
                raise RadioUnavailable(NOT_RUNNING) from failure
            if "AccessDenied" in failure.name:
                raise RadioUnavailable(
                    "D-Bus does not let this user talk to bluetoothd; add it to the group 'bluetooth' and log in again"
                ) from failure
            raise RadioUnavailable(f"D-Bus: {failure}") from failure

    async def _await_loss(self) -> None:
        with suppress(Exception):
            await self._bus.wait_for_disconnect()  # type: ignore[no-untyped-call]
        self.lost.set()

    async def _ask_objects(self, starts_it: bool = False) -> dict[str, dict[str, dict[str, Any]]]:
        found = (await self.call("/", OBJECT_MANAGER, "GetManagedObjects", starts_it=starts_it))[0]
        return {path: unpack_variants(interfaces) for path, interfaces in found.items()}

    def _handle(self, message: Message) -> None:
        if message.message_type is not MessageType.SIGNAL:
            return
        try:
            self._signal(message)
        except Exception:
            log.exception("D-Bus signal %s", message.member)

    def _signal(self, message: Message) -> None:
        path = message.path or ""
        if message.member == "NameOwnerChanged" and message.body[0] == BLUEZ:
            self._owner_changed(message.body[2])
        elif message.member == "InterfacesAdded":
            path, interfaces = message.body[0], unpack_variants(message.body[1])
            self.objects.setdefault(path, {}).update(interfaces)
            for watcher in tuple(self.watchers):
                watcher.added(path, interfaces)
        elif message.member == "InterfacesRemoved":
            path, names = message.body
            for name in names:
                self.objects.get(path, {}).pop(name, None)
            if not self.objects.get(path, True):
                del self.objects[path]
            for watcher in tuple(self.watchers):
                watcher.removed(path, names)
        elif message.member == "PropertiesChanged" and path.startswith("/org/bluez"):
            interface, changes, gone = message.body[0], unpack_variants(message.body[1]), message.body[2]
            properties = self.objects.get(path, {}).get(interface)
            if properties is None:
                return
            properties.update(changes)
            for name in gone:
                properties.pop(name, None)
            for watcher in tuple(self.watchers):
                watcher.changed(path, interface, changes)

    def _owner_changed(self, name: str) -> None:
        self._owner = name
        if name:
            self.spawn(self._greet(name))
            return
        self.there = False
        self.objects.clear()
        for watcher in tuple(self.watchers):
            watcher.owner_changed(False)

    async def _greet(self, name: str) -> None:
        """Take up what it has, however long it takes to answer: it owns its name before it has read what it knows."""
        objects = None
        while objects is None and self._owner == name:
            try:
                objects = await self._ask_objects()
            except BusError as failure:
                log.debug("bluetoothd does not tell what it has: %s", failure)
                await asyncio.sleep(GREET_AGAIN_S)
        if objects is not None and self._owner == name:  # not gone again meanwhile
            self.objects, self.there = objects, True
            for watcher in tuple(self.watchers):
                watcher.owner_changed(True)


class _Wait(Watcher):
    def __init__(self, bus: Bus, path: str, interface: str, name: str, value: Any) -> None:
        self.bus, self.path, self.interface, self.name, self.value = bus, path, interface, name, value
        self.outcome: asyncio.Future[bool] = asyncio.get_running_loop().create_future()

    def changed(self, path: str, interface: str, changes: Mapping[str, Any]) -> None:
        if path == self.path and self.bus.get(path, self.interface, self.name) == self.value:
            self._is(True)

    def removed(self, path: str, interfaces: Sequence[str]) -> None:
        if path == self.path and self.interface in interfaces:
            self._is(False)

    def owner_changed(self, there: bool) -> None:
        self._is(False)

    def _is(self, outcome: bool) -> None:
        if not self.outcome.done():
            self.outcome.set_result(outcome)

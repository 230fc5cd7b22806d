"""A played bluetoothd on a bus of our own: an adapter or two, one cuff, and whoever passes by.

Answers what the BlueZ radio and bleak ask, in BlueZ's words (BlueZ doc/*-api.txt). No radio, no kernel: what the real
bluetoothd does is looked at in tests/stack.
"""

import asyncio
from collections import deque
from collections.abc import Callable
from typing import Any

from dbus_fast import Message, MessageType, Variant
from dbus_fast.aio import MessageBus

from parsers.uuids import Uuid, full

ADAPTER, DEVICE = "/org/bluez/hci0", "/org/bluez/hci0/dev_C0_FF_EE_00_00_01"
CUFF = "C0:FF:EE:00:00:01"
ADAPTER_1, DEVICE_1 = "org.bluez.Adapter1", "org.bluez.Device1"
SERVICE_1, CHARACTERISTIC_1 = "org.bluez.GattService1", "org.bluez.GattCharacteristic1"
OBJECTS, PROPERTIES = "org.freedesktop.DBus.ObjectManager", "org.freedesktop.DBus.Properties"
SERVICES = {
    Uuid.BLOOD_PRESSURE_SERVICE: {
        Uuid.BLOOD_PRESSURE_MEASUREMENT: ["indicate"],
        Uuid.BLOOD_PRESSURE_FEATURE: ["read"],
        Uuid.DATE_TIME: ["read", "write"],
    },
    0x180F: {Uuid.BATTERY_LEVEL: ["read"]},
    0x180A: {Uuid.MANUFACTURER_NAME: ["read"], Uuid.MODEL_NUMBER: ["read"]},
}
SIGNATURES = {
    "Powered": "b",
    "Discovering": "b",
    "Connected": "b",
    "ServicesResolved": "b",
    "Paired": "b",
    "Bonded": "b",
    "Trusted": "b",
    "Notifying": "b",
    "Primary": "b",
    "UUIDs": "as",
    "Flags": "as",
    "RSSI": "n",
    "Value": "ay",
    "Service": "o",
    "Device": "o",
    "Adapter": "o",
    "MTU": "q",
    "Handle": "q",
}


def variants(properties: dict[str, Any]) -> dict[str, Variant]:
    return {name: Variant(SIGNATURES.get(name, "s"), value) for name, value in properties.items()}


class PlayedBlueZ:
    """values: what the cuff answers to a read, asked for each time. adapters: how many, each within the cuff's reach.

    notifying, resolved, scanning: set while somebody subscribes, services are resolved, an adapter discovers.
    """

    def __init__(self, values: Callable[[int], bytes], adapters: int = 1) -> None:
        self.values = values
        self.objects: dict[str, dict[str, dict[str, Any]]] = {"/org/bluez": {"org.bluez.AgentManager1": {}}}
        self.characteristics: dict[str, int] = {}
        self.measurement: dict[str, str] = {}  # device to object
        for number in range(adapters):
            self._add_adapter(f"/org/bluez/hci{number}", f"00:00:00:00:00:0{number + 1}")
        self.notifying, self.resolved, self.scanning = asyncio.Event(), asyncio.Event(), asyncio.Event()
        self.asked: deque[str] = deque(maxlen=1000)  # members, the newest; but for pings
        self.asked_of: deque[tuple[str, str]] = deque(maxlen=1000)  # member and path
        self.filters: list[dict[str, Any]] = []  # as set for discovery
        self.deaf = False  # answers nothing any more
        self.refuses: dict[str, int] = {}  # members, and how often more
        self.deaf_on_links = False  # drops its end of a link that the cuff made it make, and leaves the link up
        self.pairs_silently = False  # makes the bond, and never answers who asked for it
        self.cccd_open = False  # the cuff lets itself be subscribed to without a bond
        self.keeps_no_bond = False  # it pairs without the bonding flag
        self.ignores_pairing = False  # it never answers a pairing request
        self.others_agent = False  # somebody else's agent declines pairings that nobody here asked for
        self.absent = False  # Connect finds nobody
        self.hangs = False  # subscriptions are never answered
        self.digits: int | None = None  # the cuff shows them, and refuses a bond that was made without
        self.number: int | None = None  # the cuff shows it and wants it compared
        self.parks = False  # 5.66: a request whose security failed is never answered, nor is any after it on the link
        self.agent: tuple[str, str, str] | None = None  # bus name, path and capability of whom bluetoothd asks
        self.application: tuple[str, str] | None = None  # bus name and path of who registered one
        self.links: set[str] = set()  # devices to which the kernel has a link, whatever is told of it
        self._digits_given = False
        self._parked: set[str] = set()
        self._asking: set[asyncio.Task[None]] = set()
        self._filtered: dict[str, bool] = {}
        self._unanswered: list[Message] = []
        self._passing: str | None = None
        self._bus: MessageBus

    def _add_adapter(self, adapter: str, address: str) -> None:
        self.objects[adapter] = {
            ADAPTER_1: {"Address": address, "Powered": True, "Discovering": False, "UUIDs": []},
            "org.bluez.GattManager1": {},
            "org.bluez.LEAdvertisingManager1": {},
        }
        device = f"{adapter}/dev_{CUFF.replace(':', '_')}"
        self.objects[device] = {DEVICE_1: _device(CUFF, "Kitchen cuff", adapter)}
        handle = 0x10
        for service, characteristics in SERVICES.items():
            path = f"{device}/service{handle:04x}"
            self.objects[path] = {
                SERVICE_1: {"UUID": full(service), "Device": device, "Primary": True, "Handle": handle}
            }
            for number, flags in characteristics.items():
                handle += 2
                place = f"{path}/char{handle:04x}"
                self.objects[place] = {
                    CHARACTERISTIC_1: {
                        "UUID": full(number),
                        "Service": path,
                        "Flags": flags,
                        "Notifying": False,
                        "MTU": 64,
                        "Handle": handle,
                    }
                }
                self.characteristics[place] = number
                if number == Uuid.BLOOD_PRESSURE_MEASUREMENT:
                    self.measurement[device] = place
            handle += 0x10

    async def serve(self, address: str) -> None:
        self._bus = await MessageBus(bus_address=address).connect()
        self._bus.add_message_handler(self._handle)
        await self._bus.request_name("org.bluez")

    def stop(self) -> None:
        self._bus.disconnect()

    async def call(self, message: Message) -> Message | None:
        """Ask somebody on the bus, in bluetoothd's place."""
        return await self._bus.call(message)

    # -- what happens --------------------------------------------------------------------------------

    def change(self, path: str, interface: str, **changes: Any) -> None:
        self.objects[path][interface].update(changes)
        if "ServicesResolved" in changes:
            (self.resolved.set if changes["ServicesResolved"] else self.resolved.clear)()
        self._signal(path, PROPERTIES, "PropertiesChanged", "sa{sv}as", [interface, variants(changes), []])

    def pass_by(self, number: int) -> None:
        """Somebody else's device comes, is heard three times, and the one before is forgotten."""
        address = "4E:00:" + ":".join(f"{number >> shift & 0xFF:02X}" for shift in (24, 16, 8, 0))
        path = f"{ADAPTER}/dev_{address.replace(':', '_')}"
        if self._passing is not None:
            gone = self.objects.pop(self._passing)
            self._signal("/", OBJECTS, "InterfacesRemoved", "oas", [self._passing, list(gone)])
        self.objects[path] = {DEVICE_1: _device(address, f"Passer-by {number}", ADAPTER, cuff=False)}
        self._signal(
            "/", OBJECTS, "InterfacesAdded", "oa{sa{sv}}", [path, {DEVICE_1: variants(self.objects[path][DEVICE_1])}]
        )
        for strength in (-80, -60, -85):
            self.change(path, DEVICE_1, RSSI=strength)
        self._passing = path

    def advertise(self, device: str = DEVICE, strength: int = -55) -> bool:
        """The cuff is heard; says whether that is told. While discovery is unfiltered, only a change of 8 dB is
        (BlueZ 5.82 src/adapter.c, btd_adapter_device_found; device.c, RSSI_THRESHOLD)."""
        adapter, before = device.rpartition("/")[0], self.objects[device][DEVICE_1].get("RSSI", 0)
        if not self.objects[adapter][ADAPTER_1]["Discovering"]:
            return False
        told = self._filtered.get(adapter, True) or abs(strength - before) >= 8
        if self.filters and self.filters[-1].get("UUIDs") and not self.objects[device][DEVICE_1]["UUIDs"]:
            return False  # is_filter_match looks at what is advertised
        if told:
            self.change(device, DEVICE_1, RSSI=strength)
        return told

    async def come(self, payloads: list[bytes], lingers_s: float = 2.5, device: str = DEVICE) -> None:
        """The cuff wakes, is connected, sends when it is subscribed to, and leaves."""
        if not self.objects[device][DEVICE_1]["Paired"]:
            await asyncio.wait_for(self.scanning.wait(), 30)
        self.advertise(device)
        if self.objects[device][DEVICE_1]["Paired"]:
            self.come_up(device, resolved=not self.deaf_on_links)  # a bonded cuff is connected by BlueZ itself
        await asyncio.wait_for(self.notifying.wait(), 30)
        await asyncio.wait_for(self.resolved.wait(), 30)
        for payload in payloads:
            await asyncio.sleep(0.1)
            self.change(self.measurement[device], CHARACTERISTIC_1, Value=payload)
        await asyncio.sleep(lingers_s)  # for the rest of what the visit asks
        self.leave(device)

    def leave(self, device: str = DEVICE) -> None:
        self.links.discard(device)
        self._parked.discard(device)
        forgotten = {"Paired": False} if self.keeps_no_bond and self.objects[device][DEVICE_1]["Paired"] else {}
        self.change(device, DEVICE_1, Connected=False, ServicesResolved=False, **forgotten)

    def lose_bond(self, device: str = DEVICE) -> None:
        """The cuff comes and has no key: the kernel drops the link before anything was resolved."""
        self.change(device, DEVICE_1, Connected=True)
        self.change(device, DEVICE_1, Connected=False)

    def come_up(self, device: str, resolved: bool = True) -> None:
        self.links.add(device)
        self.change(device, DEVICE_1, Connected=True)
        if resolved:
            self.change(device, DEVICE_1, ServicesResolved=True)

    @property
    def _shows_something(self) -> bool:
        return self.digits is not None or self.number is not None

    async def _raise_security(self, message: Message, path: str, device: str) -> None:
        """The CCCD asks for a bond made with digits: bluetoothd asks its agent for them (att.c change_security)."""
        assert self.agent is not None
        name, agent, capability = self.agent
        if capability == "NoInputNoOutput":
            self._paired(device)  # just works, and the cuff refuses all the same
            if self.parks:
                self._parked.add(device)
                return
            self._bus.send(Message.new_error(message, "org.bluez.Error.NotPermitted", "Not paired"))
            return
        wanted, signature, body = ("RequestPasskey", "o", [device])
        if self.number is not None:
            wanted, signature, body = ("RequestConfirmation", "ou", [device, self.number])
        answer = await self._bus.call(
            Message(
                destination=name,
                path=agent,
                interface="org.bluez.Agent1",
                member=wanted,
                signature=signature,
                body=body,
            )
        )
        if answer is not None and answer.message_type is not MessageType.ERROR and answer.body in ([], [self.digits]):
            self._digits_given = True
            self._paired(device)
            self.change(path, CHARACTERISTIC_1, Notifying=True)
            self.notifying.set()
            self._bus.send(Message.new_method_return(message))
        else:
            self.leave(device)  # the Security Manager has failed, and the kernel drops the link

    def _paired(self, device: str) -> None:
        self.change(device, DEVICE_1, Paired=True, Bonded=not self.keeps_no_bond)

    # -- what is asked -------------------------------------------------------------------------------

    def _handle(self, message: Message) -> Message | bool:
        if message.message_type is not MessageType.METHOD_CALL or message.destination != "org.bluez":
            return False
        path, member, body = message.path or "", message.member, message.body
        if self.deaf:
            return True  # taken, and that is all
        if member != "Ping":
            self.asked.append(str(member))
            self.asked_of.append((str(member), path))
        if self.refuses.get(str(member), 0):
            self.refuses[str(member)] -= 1
            return Message.new_error(message, "org.freedesktop.DBus.Error.NoReply", "no reply")
        if member == "GetManagedObjects":
            found = {
                place: {name: variants(values) for name, values in interfaces.items()}
                for place, interfaces in self.objects.items()
            }
            return Message.new_method_return(message, "a{oa{sa{sv}}}", [found])
        device = "/".join(path.split("/")[:5])
        if device in self._parked and member in ("ReadValue", "WriteValue"):
            return True
        if device in self._parked and member == "StartNotify":
            return Message.new_error(message, "org.bluez.Error.InProgress", "In Progress")
        if member == "ReadValue":
            return Message.new_method_return(message, "ay", [self.values(self.characteristics[path])])
        answer = Message.new_method_return(message)
        if member == "Set":
            self.change(path, body[0], **{body[1]: body[2].value})
        elif member == "SetDiscoveryFilter":
            wanted = {name: value.value for name, value in body[0].items()}
            self.filters.append(wanted)
            # 5.82 src/adapter.c merge_discovery_filters, on an adapter that has LE alone
            self._filtered[path] = bool(wanted.get("UUIDs") or wanted.get("DuplicateData"))
        elif member in ("StartDiscovery", "StopDiscovery"):
            self.change(path, ADAPTER_1, Discovering=member == "StartDiscovery")
            (self.scanning.set if member == "StartDiscovery" else self.scanning.clear)()
        elif member == "Connect":
            if self.absent:
                return True
            if self.objects[device.rpartition("/")[0]][ADAPTER_1]["Discovering"]:
                asyncio.get_running_loop().call_later(10, self.come_up, device)  # the next scan's report
                return True
            self.come_up(device)
        elif member == "Disconnect":
            self.leave(path)
        elif member == "Pair":
            if self.ignores_pairing:
                self._unanswered.append(message)
                return True
            self._paired(path)
            if self.pairs_silently:
                return True
        elif member == "CancelPairing":
            for waiting in self._unanswered:
                self._bus.send(Message.new_error(waiting, "org.bluez.Error.AuthenticationCanceled", "canceled"))
            self._unanswered.clear()
        elif member == "RegisterAgent":
            self.agent = (message.sender or "", body[0], body[1])
        elif member == "RegisterApplication":
            self.application = (message.sender or "", body[0])
        elif member == "RemoveDevice":
            self.change(body[0], DEVICE_1, Paired=False, Bonded=False, Trusted=False)
            self._digits_given = False
        elif member in ("StartNotify", "StopNotify"):
            known = self.objects[device][DEVICE_1]
            if self.hangs and known["Connected"]:
                return True
            if member == "StartNotify" and known["Connected"] and self._shows_something and not self._digits_given:
                self._asking.add(asking := asyncio.create_task(self._raise_security(message, path, device)))
                asking.add_done_callback(self._asking.discard)
                return True
            if member == "StartNotify" and not self.cccd_open and known["Connected"] and not known["Paired"]:
                if self.ignores_pairing:
                    return True  # the elevated write is parked, and has no timer
                if self.others_agent:
                    return Message.new_error(message, "org.bluez.Error.NotPermitted", "Insufficient Authentication")
                self._paired(device)  # att.c change_security: bluetoothd raises it by itself
            self.change(path, CHARACTERISTIC_1, Notifying=member == "StartNotify")
            (self.notifying.set if member == "StartNotify" else self.notifying.clear)()
        return answer

    def _signal(self, path: str, interface: str, member: str, signature: str, body: list[Any]) -> None:
        self._bus.send(Message.new_signal(path, interface, member, signature, body))


def _device(address: str, name: str, adapter: str, cuff: bool = True) -> dict[str, Any]:
    return {
        "Address": address,
        "AddressType": "public",
        "Name": name,
        "Alias": name,
        "Adapter": adapter,
        "Paired": False,
        "Bonded": False,
        "Trusted": False,
        "Connected": False,
        "ServicesResolved": False,
        "RSSI": -60,
        "UUIDs": [full(Uuid.BLOOD_PRESSURE_SERVICE)] if cuff else [],
    }


class PlayedSystemd:
    """systemd on the same bus, as far as it tells how bluetooth.service stands (org.freedesktop.systemd1)."""

    UNIT = "/org/freedesktop/systemd1/unit/bluetooth_2eservice"

    def __init__(self, state: str) -> None:
        self.state = state
        self._bus: MessageBus

    async def serve(self, address: str) -> None:
        self._bus = await MessageBus(bus_address=address).connect()
        self._bus.add_message_handler(self._handle)
        await self._bus.request_name("org.freedesktop.systemd1")

    def stop(self) -> None:
        self._bus.disconnect()

    def _handle(self, message: Message) -> Message | bool:
        if message.message_type is not MessageType.METHOD_CALL or message.destination != "org.freedesktop.systemd1":
            return False
        if message.member == "GetUnit" and message.body == ["bluetooth.service"]:
            return Message.new_method_return(message, "o", [self.UNIT])
        if message.member == "Get" and message.body == ["org.freedesktop.systemd1.Unit", "ActiveState"]:
            return Message.new_method_return(message, "v", [Variant("s", self.state)])
        return False

"""A played bluetoothd on a bus of our own: one adapter, one bonded cuff, and whoever passes by.

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
    """values: what the cuff answers to a read, asked for each time. notifying: set while somebody subscribes."""

    def __init__(self, values: Callable[[int], bytes]) -> None:
        self.values = values
        self.objects: dict[str, dict[str, dict[str, Any]]] = {
            "/org/bluez": {"org.bluez.AgentManager1": {}},
            ADAPTER: {
                ADAPTER_1: {"Address": "00:00:00:00:00:01", "Powered": True, "Discovering": False, "UUIDs": []},
                "org.bluez.GattManager1": {},
                "org.bluez.LEAdvertisingManager1": {},
            },
            DEVICE: {DEVICE_1: _device(CUFF, "Kitchen cuff")},
        }
        self.characteristics: dict[str, int] = {}
        handle = 0x10
        for service, characteristics in SERVICES.items():
            path = f"{DEVICE}/service{handle:04x}"
            self.objects[path] = {
                SERVICE_1: {"UUID": full(service), "Device": DEVICE, "Primary": True, "Handle": handle}
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
            handle += 0x10
        self.measurement = next(
            place for place, number in self.characteristics.items() if number == Uuid.BLOOD_PRESSURE_MEASUREMENT
        )
        self.notifying, self.resolved, self.scanning = asyncio.Event(), asyncio.Event(), asyncio.Event()
        self.asked: deque[str] = deque(maxlen=1000)  # members, the newest; but for pings
        self.deaf = False  # answers nothing any more
        self.deaf_on_links = False  # drops its end of a link that the cuff made it make, and leaves the link up
        self.pairs_silently = False  # makes the bond, and never answers who asked for it
        self._passing: str | None = None
        self._bus: MessageBus

    async def serve(self, address: str) -> None:
        self._bus = await MessageBus(bus_address=address).connect()
        self._bus.add_message_handler(self._handle)
        await self._bus.request_name("org.bluez")

    def stop(self) -> None:
        self._bus.disconnect()

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
        self.objects[path] = {DEVICE_1: _device(address, f"Passer-by {number}", ["feed"])}
        self._signal(
            "/", OBJECTS, "InterfacesAdded", "oa{sa{sv}}", [path, {DEVICE_1: variants(self.objects[path][DEVICE_1])}]
        )
        for strength in (-80, -60, -85):
            self.change(path, DEVICE_1, RSSI=strength)
        self._passing = path

    async def come(self, payloads: list[bytes], lingers_s: float = 2.5) -> None:
        """The cuff wakes, is connected, sends when it is subscribed to, and leaves."""
        self.change(DEVICE, DEVICE_1, RSSI=-55)
        if self.objects[DEVICE][DEVICE_1]["Paired"]:
            self._up(resolved=not self.deaf_on_links)  # a bonded cuff is connected by BlueZ itself
        await asyncio.wait_for(self.notifying.wait(), 30)
        await asyncio.wait_for(self.resolved.wait(), 30)
        for payload in payloads:
            await asyncio.sleep(0.1)
            self.change(self.measurement, CHARACTERISTIC_1, Value=payload)
        await asyncio.sleep(lingers_s)  # for the rest of what the visit asks
        self.change(DEVICE, DEVICE_1, Connected=False, ServicesResolved=False)

    def _up(self, resolved: bool = True) -> None:
        self.change(DEVICE, DEVICE_1, Connected=True)
        if resolved:
            self.change(DEVICE, DEVICE_1, ServicesResolved=True)

    # -- what is asked -------------------------------------------------------------------------------

    def _handle(self, message: Message) -> Message | bool:
        if message.message_type is not MessageType.METHOD_CALL or message.destination != "org.bluez":
            return False
        path, member, body = message.path or "", message.member, message.body
        if self.deaf:
            return True  # taken, and that is all
        if member != "Ping":
            self.asked.append(str(member))
        if member == "GetManagedObjects":
            found = {
                place: {name: variants(values) for name, values in interfaces.items()}
                for place, interfaces in self.objects.items()
            }
            return Message.new_method_return(message, "a{oa{sa{sv}}}", [found])
        if member == "ReadValue":
            return Message.new_method_return(message, "ay", [self.values(self.characteristics[path])])
        answer = Message.new_method_return(message)
        if member == "Set":
            self.change(path, body[0], **{body[1]: body[2].value})
        elif member in ("StartDiscovery", "StopDiscovery"):
            self.change(path, ADAPTER_1, Discovering=member == "StartDiscovery")
            (self.scanning.set if member == "StartDiscovery" else self.scanning.clear)()
        elif member == "Connect":
            self._up()
        elif member == "Disconnect":
            self.change(path, DEVICE_1, Connected=False, ServicesResolved=False)
        elif member == "Pair":
            self.change(path, DEVICE_1, Paired=True)
            if self.pairs_silently:
                return True
        elif member in ("StartNotify", "StopNotify"):
            self.change(path, CHARACTERISTIC_1, Notifying=member == "StartNotify")
            (self.notifying.set if member == "StartNotify" else self.notifying.clear)()
        return answer

    def _signal(self, path: str, interface: str, member: str, signature: str, body: list[Any]) -> None:
        self._bus.send(Message.new_signal(path, interface, member, signature, body))


def _device(address: str, name: str, uuids: list[str] | None = None) -> dict[str, Any]:
    return {
        "Address": address,
        "AddressType": "public",
        "Name": name,
        "Alias": name,
        "Adapter": ADAPTER,
        "Paired": False,
        "Trusted": False,
        "Connected": False,
        "ServicesResolved": False,
        "RSSI": -60,
        "UUIDs": [full(Uuid.BLOOD_PRESSURE_SERVICE)] if uuids is None else [],
    }

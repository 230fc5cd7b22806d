"""Tells BlueZ that somebody waits for cuffs, so that it connects bonded, trusted ones by itself, without a scan.

Source: BlueZ doc/gatt-api.txt (org.bluez.GattManager1, org.bluez.GattProfile1).
"""

from typing import Annotated

from dbus_fast import PropertyAccess
from dbus_fast.annotations import DBusSignature
from dbus_fast.service import ServiceInterface, dbus_method, dbus_property

from collector.radio.bluez.bus import Bus, BusError
from parsers.uuids import Uuid, full

APPLICATION = "/org/quietcuff/application"
PATH = APPLICATION + "/profile"


class CuffProfile(ServiceInterface):
    def __init__(self) -> None:
        super().__init__("org.bluez.GattProfile1")

    @dbus_method()
    def Release(self) -> None:
        pass

    @dbus_property(access=PropertyAccess.READ)
    def UUIDs(self) -> Annotated[list[str], DBusSignature("as")]:
        return [full(Uuid.BLOOD_PRESSURE_SERVICE)]


async def register(bus: Bus, adapter: str) -> None:
    """Raises BusError. Idempotent."""
    try:
        await bus.call(adapter, "org.bluez.GattManager1", "RegisterApplication", "oa{sv}", [APPLICATION, {}])
    except BusError as failure:
        if not failure.name.endswith("AlreadyExists"):
            raise

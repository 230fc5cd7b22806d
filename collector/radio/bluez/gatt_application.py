"""What we give BlueZ to hold: a profile, and our clock.

The profile says that somebody waits for cuffs, so that BlueZ connects bonded, trusted ones by itself, without a scan.
The clock is the Current Time Service, for cuffs that set theirs by their collector's. Source: BlueZ doc/gatt-api.txt
(org.bluez.GattManager1, GattProfile1, GattService1, GattCharacteristic1).
"""

from typing import Annotated

from dbus_fast import DBusError, PropertyAccess
from dbus_fast.annotations import DBusDict, DBusObjectPath, DBusSignature, DBusStr
from dbus_fast.service import ServiceInterface, dbus_method, dbus_property

from collector.radio import own_clock
from collector.radio.bluez.bus import Bus, BusError
from parsers.uuids import Uuid, full

APPLICATION = "/org/quietcuff/application"
PROFILE, SERVICE, CLOCK = APPLICATION + "/profile", APPLICATION + "/service", APPLICATION + "/service/clock"


class CuffProfile(ServiceInterface):
    def __init__(self) -> None:
        super().__init__("org.bluez.GattProfile1")

    @dbus_method()
    def Release(self) -> None:
        pass

    @dbus_property(access=PropertyAccess.READ)
    def UUIDs(self) -> Annotated[list[str], DBusSignature("as")]:
        return [full(Uuid.BLOOD_PRESSURE_SERVICE)]


class CurrentTimeService(ServiceInterface):
    def __init__(self) -> None:
        super().__init__("org.bluez.GattService1")

    @dbus_property(access=PropertyAccess.READ)
    def UUID(self) -> DBusStr:
        return full(Uuid.CURRENT_TIME_SERVICE)

    @dbus_property(access=PropertyAccess.READ)
    def Primary(self) -> Annotated[bool, DBusSignature("b")]:
        return True


class OurClock(ServiceInterface):
    """zone: IANA name of the cuffs' wall clock; None: this machine's."""

    def __init__(self, zone: str | None) -> None:
        super().__init__("org.bluez.GattCharacteristic1")
        self._zone = zone

    @dbus_property(access=PropertyAccess.READ)
    def UUID(self) -> DBusStr:
        return full(Uuid.CURRENT_TIME)

    @dbus_property(access=PropertyAccess.READ)
    def Service(self) -> DBusObjectPath:
        return SERVICE

    @dbus_property(access=PropertyAccess.READ)
    def Flags(self) -> Annotated[list[str], DBusSignature("as")]:
        return ["read"]

    @dbus_method()
    def ReadValue(self, options: DBusDict) -> Annotated[bytes, DBusSignature("ay")]:
        served = own_clock.served(self._zone)
        if served is None:
            raise DBusError("org.bluez.Error.Failed", "this computer does not know the time yet")
        return served


def export(bus: Bus, zone: str | None) -> None:
    """Before `register`; zone as for `OurClock`."""
    bus.export(PROFILE, CuffProfile())
    bus.export(SERVICE, CurrentTimeService())
    bus.export(CLOCK, OurClock(zone))


async def register(bus: Bus, adapter: str) -> None:
    """Raises BusError. Idempotent."""
    try:
        await bus.call(adapter, "org.bluez.GattManager1", "RegisterApplication", "oa{sv}", [APPLICATION, {}])
    except BusError as failure:
        if not failure.name.endswith("AlreadyExists"):
            raise

"""Devices of which BlueZ knows nothing but address and name, taken away so that they can be found again.

bluetoothd writes down a new device without forcing it to disk (GLib g_file_set_contents); when the power goes in the
next seconds, an empty file is left. At every start from then on bluetoothd 5.66 takes its address for that of a classic
device, and cannot make the object of the cuff that advertises under it: 'Unable to create object for found device'
(src/device.c, device_create_from_storage and device_new). The cuff would stay unseen for ever.
"""

from collections.abc import Mapping
from contextlib import suppress
from typing import Any

from collector.radio.bluez.bus import ADAPTER, DEVICE, Bus, BusError

SIGNS_OF_LIFE = (
    "Paired",
    "Trusted",
    "Blocked",
    "Connected",
    "UUIDs",
    "RSSI",
    "Class",
    "Appearance",
    "ManufacturerData",
    "ServiceData",
)
"""Not the name: bluetoothd has that from another file, its cache."""


def is_stale(device: Mapping[str, Any]) -> bool:
    """Whether a Device1's properties hold nothing that was learned or wanted of it (BlueZ doc/device-api.txt)."""
    return device.get("AddressType") == "public" and not any(device.get(sign) for sign in SIGNS_OF_LIFE)


async def remove(bus: Bus, adapter: str) -> None:
    """Take an adapter's stale devices away; never raises."""
    for path, device in bus.each(DEVICE):
        if device.get("Adapter") == adapter and is_stale(device):
            with suppress(BusError):
                await bus.call(adapter, ADAPTER, "RemoveDevice", "o", [path])

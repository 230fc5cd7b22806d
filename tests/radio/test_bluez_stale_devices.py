"""Which of BlueZ's devices are empty: seen in bluetoothd 5.66 after a power cut left a device's file empty."""

import pytest

from collector.radio.bluez.stale_devices import is_stale

HUSK = {
    "Address": "F0:00:00:00:00:02",
    "AddressType": "public",
    "Alias": "F0-00-00-00-00-02",
    "Paired": False,
    "Trusted": False,
    "Blocked": False,
    "LegacyPairing": False,
    "Connected": False,
    "UUIDs": [],
    "Adapter": "/org/bluez/hci0",
    "ServicesResolved": False,
}


def test_a_device_with_an_address_and_nothing_else_is_stale() -> None:
    assert is_stale(HUSK)
    assert is_stale(HUSK | {"Name": "Cuff"}), "its name is from another file"


@pytest.mark.parametrize(
    "sign",
    [
        {"AddressType": "random"},
        {"Paired": True},
        {"Trusted": True},
        {"Blocked": True},
        {"Connected": True},
        {"UUIDs": ["00001810-0000-1000-8000-00805f9b34fb"]},
        {"RSSI": -50},
        {"Class": 0x240404},
    ],
)
def test_whatever_is_known_wanted_or_there_is_left_alone(sign: dict[str, object]) -> None:
    assert not is_stale(HUSK | sign)

"""Advertising reports as a controller delivers them, written by Bumble."""

from bumble import hci


def legacy(data: bytes, kind: int = 0, address: str = "C4:F2:17:1A:1D:AA") -> bytes:
    report = hci.HCI_LE_Advertising_Report_Event.Report(
        event_type=hci.HCI_LE_Advertising_Report_Event.EventType(kind),
        address_type=hci.AddressType.RANDOM_DEVICE,
        address=hci.Address(address),
        data=data,
        rssi=-50,
    )
    return bytes(hci.HCI_LE_Advertising_Report_Event([report]))


def extended(data: bytes, kind: int = 0x13, address: str = "C4:F2:17:1A:1D:AA") -> bytes:
    report = hci.HCI_LE_Extended_Advertising_Report_Event.Report(
        event_type=hci.HCI_LE_Extended_Advertising_Report_Event.EventType(kind),
        address_type=hci.AddressType.RANDOM_DEVICE,
        address=hci.Address(address),
        primary_phy=1,
        secondary_phy=0,
        advertising_sid=0xFF,
        tx_power=127,
        rssi=-50,
        periodic_advertising_interval=0,
        direct_address_type=0,
        direct_address=hci.Address.ANY,
        data=data,
    )
    return bytes(hci.HCI_LE_Extended_Advertising_Report_Event([report]))

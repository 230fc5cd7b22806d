"""Which advertisements are a cuff's: decided on the controller's bytes, before anything else is done.

A crowded room sends hundreds of advertisements a second. Layout: Core Vol 4 Part E 7.7.65.2 (LE Advertising
Report) and 7.7.65.13 (LE Extended Advertising Report); data: Core Specification Supplement Part A.
"""

import struct
from collections.abc import Iterator
from dataclasses import dataclass

EVENT, LE_META = 0x04, 0x3E
LEGACY_REPORT, EXTENDED_REPORT = REPORTS = 0x02, 0x0D
SCANNABLE_ONLY, NOT_CONNECTABLE = 0x02, 0x03  # legacy event types
LISTS_16, LISTS_128, NAMES = (0x02, 0x03), (0x06, 0x07), (0x08, 0x09)
SERVICE_16 = struct.pack("<H", 0x1810)
SERVICE_128 = bytes.fromhex("fb349b5f800000800010000010180000")  # the 128-bit form, low octet first


@dataclass(frozen=True, slots=True)
class Advert:
    """One report. address: six octets, low octet first; its type: 0 public, 1 random, 2 and 3 resolved."""

    address: bytes
    address_type: int
    connectable: bool
    data: bytes

    @property
    def resolvable(self) -> bool:
        """Whether this is a resolvable private address (Core Vol 6 Part B 1.3.2.2)."""
        return self.address_type == 1 and self.address[5] >> 6 == 0b01


def is_report(packet: bytes) -> bool:
    """Whether a packet from the controller is an advertising report."""
    return len(packet) > 3 and packet[0] == EVENT and packet[1] == LE_META and packet[3] in REPORTS


def adverts(packet: bytes) -> Iterator[Advert]:
    """The reports in one packet; what is cut short is left out."""
    at = 5
    for _ in range(packet[4] if len(packet) > 4 else 0):
        if packet[3] == LEGACY_REPORT:
            if at + 9 > len(packet):
                return
            kind, size = packet[at], packet[at + 8]
            connectable = kind not in (SCANNABLE_ONLY, NOT_CONNECTABLE)
            address, address_type, start = packet[at + 2 : at + 8], packet[at + 1], at + 9
            at = start + size + 1
        else:
            if at + 24 > len(packet):
                return
            kind, size = packet[at] | packet[at + 1] << 8, packet[at + 23]
            connectable = bool(kind & 0b1001)  # connectable, or the scan response of one that may be
            address, address_type, start = packet[at + 3 : at + 9], packet[at + 2], at + 24
            at = start + size
        if start + size > len(packet):
            return
        yield Advert(address, address_type, connectable, packet[start : start + size])


def structures(data: bytes) -> Iterator[tuple[int, bytes]]:
    """The AD structures of an advertisement, as (type, value)."""
    at = 0
    while at + 1 < len(data) and data[at]:
        yield data[at + 1], data[at + 2 : at + 1 + data[at]]
        at += 1 + data[at]


def lists_service(data: bytes) -> bool:
    """Whether the Blood Pressure Service is among the services listed."""
    if SERVICE_16 not in data and SERVICE_128 not in data:
        return False
    for kind, value in structures(data):
        if kind in LISTS_16 and SERVICE_16 in (value[i : i + 2] for i in range(0, len(value), 2)):
            return True
        if kind in LISTS_128 and SERVICE_128 in (value[i : i + 16] for i in range(0, len(value), 16)):
            return True
    return False


def local_name(data: bytes) -> str | None:
    """The name in an advertisement, as sent."""
    names = [value for kind, value in structures(data) if kind in NAMES]
    return names[0].decode("utf-8", "replace") if names else None


def written(address: bytes) -> str:
    """An address the way people write it."""
    return ":".join(f"{octet:02X}" for octet in reversed(address))

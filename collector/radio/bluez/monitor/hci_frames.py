"""What the kernel's monitor channel says, as values: links made, encrypted and ended, and what came over them.

Sources: Linux include/net/bluetooth/hci_mon.h (frame header), Bluetooth Core Specification Vol 4 Part E §5.4
(packets) and §7.7 (events), BlueZ doc/mgmt-api.txt (management events).
"""

import struct
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta

EVENT, ACL_RECEIVED, CONTROL_EVENT = 3, 5, 17  # monitor opcodes that pass the filter
DISCONNECTION_COMPLETE, ENCRYPTION_CHANGE, LE_META, ENCRYPTION_CHANGE_V2 = 0x05, 0x08, 0x3E, 0x59
CONNECTION_COMPLETE = (0x01, 0x0A, 0x29)  # LE Connection Complete, Enhanced, Enhanced v2: alike up to the address
MGMT_DEVICE_CONNECTED, MGMT_NEW_IRK = 0x000B, 0x0018
ATT_CHANNEL, NOTIFICATION, INDICATION = 4, 0x1B, 0x1D
DYNAMIC_CHANNELS = range(0x40, 0x80)  # of an LE link (Vol 3 Part A §2.1); enhanced ATT bearers are among them
HEADER = 6  # of a monitor frame: opcode, adapter, length

CENTRAL = 0  # our role in a link we asked for
LE_TYPES = (1, 2)  # management address types: LE public, LE random
KEY_MISSING = 0x06  # HCI error: PIN or Key Missing, the cuff has forgotten the bond
_EPOCH = datetime(1970, 1, 1, tzinfo=UTC)


@dataclass(frozen=True, slots=True)
class Frame:
    """One frame of the monitor channel. at_ns: the kernel's receipt time, nanoseconds since 1970."""

    opcode: int
    adapter: int
    packet: bytes
    at_ns: int

    @property
    def at(self) -> datetime:
        return _EPOCH + timedelta(microseconds=self.at_ns // 1000)


@dataclass(frozen=True, slots=True)
class LinkMade:
    """An LE link that this computer asked for. private: the address is one that changes, not an identity."""

    adapter: int
    handle: int
    address: str
    private: bool


@dataclass(frozen=True, slots=True)
class LinkEnded:
    adapter: int
    handle: int
    reason: int  # HCI error code


@dataclass(frozen=True, slots=True)
class LinkEncrypted:
    """The outcome of switching encryption on or off. status: HCI error code, 0 is success."""

    adapter: int
    handle: int
    status: int
    on: bool


@dataclass(frozen=True, slots=True)
class IdentityShown:
    """The kernel names the peer of the newest LE link by its identity address."""

    adapter: int
    address: str


@dataclass(frozen=True, slots=True)
class IdentityLearned:
    """Pairing told whose private address that was."""

    adapter: int
    private: str
    address: str


@dataclass(frozen=True, slots=True)
class Piece:
    """One ACL packet received: the start of an L2CAP frame, or the continuation of one."""

    adapter: int
    handle: int
    start: bool
    octets: bytes


Sign = LinkMade | LinkEnded | LinkEncrypted | IdentityShown | IdentityLearned | Piece


def written(address: bytes) -> str:
    """Six octets, least significant first, as people write them: 'C4:F2:17:1A:1D:AA'."""
    return address[::-1].hex(":").upper()


def is_private(address: str) -> bool:
    """Whether a *random* address is a resolvable private one (Vol 6 Part B §1.3.2.2: two top bits 01)."""
    return int(address[:2], 16) >> 6 == 0b01


def read(frame: Frame) -> Sign | None:
    """What a frame says; None for what does not concern us or is cut short."""
    try:
        if frame.opcode == EVENT:
            return _event(frame.adapter, frame.packet)
        if frame.opcode == ACL_RECEIVED:
            return _piece(frame.adapter, frame.packet)
        if frame.opcode == CONTROL_EVENT:
            return _control(frame.adapter, frame.packet)
    except (struct.error, IndexError):
        return None
    return None


def _event(adapter: int, packet: bytes) -> Sign | None:
    code = packet[0]
    if code == LE_META and packet[2] in CONNECTION_COMPLETE:
        status, handle, role, kind, address = struct.unpack_from("<BHBB6s", packet, 3)
        if status or role != CENTRAL:
            return None
        text = written(address)
        return LinkMade(adapter, handle & 0xFFF, text, private=kind == 1 and is_private(text))
    if code == DISCONNECTION_COMPLETE:
        status, handle, reason = struct.unpack_from("<BHB", packet, 2)
        return None if status else LinkEnded(adapter, handle & 0xFFF, reason)
    if code in (ENCRYPTION_CHANGE, ENCRYPTION_CHANGE_V2):
        status, handle, on = struct.unpack_from("<BHB", packet, 2)
        return LinkEncrypted(adapter, handle & 0xFFF, status, on=bool(on))
    return None


def _piece(adapter: int, packet: bytes) -> Sign | None:
    head, length = struct.unpack_from("<HH", packet)
    octets = packet[4 : 4 + length]
    if len(octets) < length:
        return None
    return Piece(adapter, head & 0xFFF, start=not head & 0x1000, octets=octets)


def _control(adapter: int, packet: bytes) -> Sign | None:
    event = struct.unpack_from("<H", packet, 4)[0]  # after the four octets of the socket's cookie
    if event == MGMT_DEVICE_CONNECTED:
        address, kind = struct.unpack_from("<6sB", packet, 6)
        return IdentityShown(adapter, written(address)) if kind in LE_TYPES else None
    if event == MGMT_NEW_IRK:
        private, address = struct.unpack_from("<6s6s", packet, 7)
        return IdentityLearned(adapter, written(private), written(address)) if any(private) else None
    return None

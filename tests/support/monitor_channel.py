"""A datagram socket that stands in for the kernel's monitor channel: its frames, and a witness at the other end."""

import os
import socket
import struct
from dataclasses import dataclass, field

from collector.radio.bluez.monitor.channel import MonitorChannel
from collector.radio.bluez.monitor.handover import Handover
from collector.radio.bluez.monitor.links import ReceivedValue
from collector.radio.bluez.monitor.record_handles import RecordHandles
from collector.radio.bluez.monitor.witness import Witness
from collector.radio.errors import NotTaken
from collector.radio.facts import KnownCuff

CUFF = "F0:F1:F2:F3:F4:F5"


OTHER = "C0:C1:C2:C3:C4:C5"


PRIVATE = "7A:00:00:00:00:01"  # two top bits 01: resolvable


KNOWN = (KnownCuff(CUFF, True, {3: 0x2A35}),)


def octets(address: str) -> bytes:
    return bytes.fromhex(address.replace(":", ""))[::-1]


def frame(opcode: int, packet: bytes, adapter: int = 0) -> bytes:
    return struct.pack("<HHH", opcode, adapter, len(packet)) + packet


def made(address: str, handle: int = 0x40, adapter: int = 0, kind: int = 1) -> bytes:
    return frame(3, b"\x3e\x13\x01\x00" + struct.pack("<HBB", handle, 0, kind) + octets(address) + bytes(7), adapter)


def ended(handle: int = 0x40, adapter: int = 0, reason: int = 0x13) -> bytes:
    return frame(3, b"\x05\x04\x00" + struct.pack("<HB", handle, reason), adapter)


def encrypted(handle: int = 0x40, status: int = 0) -> bytes:
    return frame(3, b"\x08\x04" + struct.pack("<BHB", status, handle, not status))


def indication(value: bytes, place: int = 3, handle: int = 0x40, adapter: int = 0, opcode: int = 0x1D) -> bytes:
    att = struct.pack("<BH", opcode, place) + value
    l2cap = struct.pack("<HH", len(att), 4) + att
    return frame(5, struct.pack("<HH", handle | 2 << 12, len(l2cap)) + l2cap, adapter)


def pieces(value: bytes, sizes: list[int], place: int = 3, handle: int = 0x40) -> list[bytes]:
    """The same cut into ACL packets."""
    whole = indication(value, place, handle)[6 + 4 :]
    found, at = [], 0
    for number, size in enumerate([*sizes, len(whole)]):
        part = whole[at : at + size]
        at += size
        if part:
            found.append(frame(5, struct.pack("<HH", handle | (1 if number else 2) << 12, len(part)) + part))
    return found


def shown(address: str, kind: int = 2) -> bytes:
    return frame(17, struct.pack("<IH", 7, 0x0B) + octets(address) + bytes([kind]))


def learned(private: str, address: str) -> bytes:
    return frame(17, struct.pack("<IH", 7, 0x18) + b"\x01" + octets(private) + octets(address) + b"\x02")


@dataclass
class Sink:
    """An Audience that remembers."""

    records: list[tuple[str, int, bytes]] = field(default_factory=list)
    marks: list[str] = field(default_factory=list)
    values: list[ReceivedValue] = field(default_factory=list)
    endings: list[tuple[str, int, int]] = field(default_factory=list)
    missing: list[str] = field(default_factory=list)
    cuffs: set[str] = field(default_factory=set)
    kept: list[tuple[str, int, bytes]] = field(default_factory=list)
    dropped: int = 0
    full: bool = False

    def record(self, address: str, characteristic: int, value: ReceivedValue, mark: str) -> None:
        if self.full:
            raise NotTaken("the disk is full")
        if mark not in self.marks:
            self.records.append((address, characteristic, value.octets))
            self.values.append(value)
        self.marks.append(mark)

    def unplaced(self, address: str, value: ReceivedValue, mark: str) -> bool:
        if self.full:
            raise NotTaken("the disk is full")
        if address in self.cuffs and mark not in self.marks:
            self.kept.append((address, value.handle, value.octets))
            self.marks.append(mark)
        return address in self.cuffs

    def link_ended(self, address: str, reason: int, dropped: int) -> None:
        self.endings.append((address, reason, dropped))

    def key_missing(self, address: str) -> None:
        self.missing.append(address)

    def overflow(self, frames: int) -> None:
        self.dropped += frames


class Stand:
    """A witness and the kernel's end of its socket."""

    def __init__(self, known: tuple[KnownCuff, ...] = KNOWN, handover: Handover | None = None) -> None:
        self.near, self.far = socket.socketpair(socket.AF_UNIX, socket.SOCK_DGRAM)
        self.sink, self.known, self.handover = Sink(), known, handover
        self.others: set[str] = set()
        self.start()

    def start(self) -> None:
        """A (new) process: everything is forgotten but the socket and the memory."""
        again = socket.socket(fileno=os.dup(self.near.fileno()))
        self.witness = Witness(
            MonitorChannel(again), RecordHandles(self.known, self.others.__contains__), self.sink, self.handover
        )

    def restart(self) -> None:
        self.witness.channel.close()
        self.start()

    def hear(self, *frames: bytes) -> None:
        for octets_ in frames:
            self.far.send(octets_)
        while self.witness._one():
            pass

    def close(self) -> None:
        self.witness.channel.close()
        self.near.close()
        self.far.close()

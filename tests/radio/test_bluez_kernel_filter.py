"""The socket filter, run by the kernel itself on a datagram socket: what passes, and what never reaches this process.

Frame layouts: Linux include/net/bluetooth/hci_mon.h; packets: Bluetooth Core Specification Vol 4 Part E §5.4, §7.7;
ATT opcodes: Vol 3 Part F §3.4.8; management events: BlueZ doc/mgmt-api.txt.
"""

import socket
import struct
from collections.abc import Iterator
from contextlib import closing

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from collector.radio.bluez.monitor.kernel_filter import KernelFilter


def frame(opcode: int, packet: bytes, adapter: int = 0) -> bytes:
    return struct.pack("<HHH", opcode, adapter, len(packet)) + packet


def acl(att: bytes, handle: int = 0x40, channel: int = 4, boundary: int = 2) -> bytes:
    l2cap = struct.pack("<HH", len(att), channel) + att
    return frame(5, struct.pack("<HH", handle | boundary << 12, len(l2cap)) + l2cap)


def enhanced(att: bytes, channel: int = 0x41) -> bytes:
    """The same on an enhanced bearer: the octets of one service data unit, after their count."""
    return acl(struct.pack("<H", len(att)) + att, channel=channel)


INDICATION = acl(b"\x1d\x03\x00" + bytes(19))
NOTIFICATION = acl(b"\x1b\x0e\x00" + b"typed on a keyboard")
CONTINUATION = frame(5, struct.pack("<HH", 0x40 | 1 << 12, 7) + b"private")


@pytest.fixture
def ends() -> Iterator[tuple[socket.socket, socket.socket]]:
    near, far = socket.socketpair(socket.AF_UNIX, socket.SOCK_DGRAM)
    near.setblocking(False)
    with closing(near), closing(far):
        yield near, far


def passed(ends: tuple[socket.socket, socket.socket], octets: bytes) -> bytes | None:
    near, far = ends
    try:
        far.send(octets)
    except PermissionError:  # how a unix socket says that a filter dropped it
        return None
    try:
        return near.recv(4096)
    except BlockingIOError:
        return None


@pytest.mark.parametrize(
    "octets",
    [
        INDICATION,
        acl(b"\x1d\x03\x00" + bytes(19), boundary=0),
        enhanced(b"\x1d\x03\x00" + bytes(19)),
        enhanced(b"\x1d\x03\x00" + bytes(19), channel=0x7F),
        frame(3, b"\x3e\x13\x01\x00\x40\x00\x00\x01" + bytes(13)),  # LE connection complete
        frame(3, b"\x3e\x1f\x0a\x00\x40\x00\x00\x01" + bytes(25)),  # enhanced
        frame(3, b"\x3e\x1f\x29\x00\x40\x00\x00\x01" + bytes(25)),  # enhanced, version 2
        frame(3, b"\x05\x04\x00\x40\x00\x13"),  # disconnection
        frame(3, b"\x08\x04\x00\x40\x00\x01"),  # encryption change
        frame(3, b"\x59\x05\x00\x40\x00\x01\x10"),  # encryption change, version 2
    ],
)
def test_what_concerns_cuffs_passes_whole(ends: tuple[socket.socket, socket.socket], octets: bytes) -> None:
    KernelFilter().attach(ends[0])
    assert passed(ends, octets) == octets


@pytest.mark.parametrize(
    "octets",
    [
        NOTIFICATION,
        CONTINUATION,
        acl(b"\x0b" + b"answer to a read"),
        acl(b"\x1d\x03\x00" + bytes(19), channel=0x41),  # not ATT
        acl(b"\x1d\x03\x00" + bytes(19), channel=0x104),  # its low octet alone is ATT's
        enhanced(b"\x1b\x0e\x00" + b"typed on a keyboard"),
        enhanced(b"\x1d\x03\x00" + bytes(19), channel=0x3F),
        enhanced(b"\x1d\x03\x00" + bytes(19), channel=0x80),
        enhanced(b"\x1d\x03\x00" + bytes(19), channel=0x141),
        frame(4, INDICATION[6:]),  # sent, not received
        frame(2, b"\x0d\x20\x19" + bytes(25)),  # command
        frame(3, b"\x3e\x2a\x02\x01\x00\x01" + bytes(38)),  # advertising report
        frame(3, b"\x3e\x2a\x0d\x01\x00\x01" + bytes(38)),  # extended advertising report
        frame(3, b"\x3e\x0d\x05" + bytes(12)),  # long term key request
        frame(3, b"\x17\x16" + bytes(22)),  # link key notification
        frame(3, b"\x07\xff" + b"name of somebody's telephone"),
        frame(6, b"voice"),
        frame(7, b"voice"),
        frame(17, struct.pack("<IH", 1, 0x12) + bytes(14)),  # device found
        frame(17, struct.pack("<IH", 1, 0x0A) + bytes(20)),  # new long term key
        frame(17, struct.pack("<IH", 1, 0x10B) + bytes(20)),
        frame(16, bytes(20)),
        b"",
        b"\x05",
        INDICATION[:14],
    ],
)
def test_what_does_not_stays_in_the_kernel(ends: tuple[socket.socket, socket.socket], octets: bytes) -> None:
    KernelFilter().attach(ends[0])
    assert not passed(ends, octets)


def test_names_and_keys_are_cut_off(ends: tuple[socket.socket, socket.socket]) -> None:
    KernelFilter().attach(ends[0])
    address = bytes.fromhex("f5f4f3f2f1f0")
    connected = struct.pack("<IH", 1, 0x0B) + address + b"\x02" + bytes(4) + b"\x0c\x00" + b"\x0b\x09Somebody's"
    assert passed(ends, frame(17, connected)) == frame(17, connected)[: 6 + 13]
    irk = struct.pack("<IH", 1, 0x18) + b"\x01" + address + address + b"\x02" + b"sixteen octets!!"
    assert passed(ends, frame(17, irk)) == frame(17, irk)[: 6 + 20]


def test_notifications_pass_at_the_places_of_known_cuffs_only(ends: tuple[socket.socket, socket.socket]) -> None:
    KernelFilter(notified=frozenset({0x0112, 0x0E, 0x2000})).attach(ends[0])
    assert passed(ends, NOTIFICATION) == NOTIFICATION
    there = acl(b"\x1b\x12\x01record")
    assert passed(ends, there) == there
    for elsewhere in (b"\x1b\x12\x00", b"\x1b\x0e\x01", b"\x1b\x00\x00", b"\x1b\x01\x20"):
        assert passed(ends, acl(elsewhere + b"typed")) is None


@settings(deadline=None)
@given(st.sets(st.integers(1, 0xFFFF), max_size=40), st.integers(1, 0xFFFF))
def test_any_places_can_be_named(handles: set[int], other: int) -> None:
    near, far = socket.socketpair(socket.AF_UNIX, socket.SOCK_DGRAM)
    near.setblocking(False)
    with closing(near), closing(far):
        KernelFilter(notified=frozenset(handles)).attach(near)
        named = sorted(handles)[:32]
        for handle in {other, *handles}:
            octets = acl(b"\x1b" + struct.pack("<H", handle) + b"record")
            assert passed((near, far), octets) == (octets if handle in named else None)


def test_continuations_pass_only_when_asked_for(ends: tuple[socket.socket, socket.socket]) -> None:
    KernelFilter(continuations=True).attach(ends[0])
    assert passed(ends, CONTINUATION) == CONTINUATION
    KernelFilter().attach(ends[0])
    assert passed(ends, CONTINUATION) is None

"""The kernel's monitor channel as a socket: opened with the filter in place, peeked at, taken from.

Python's socket module knows neither the channel in a Bluetooth address (before 3.14) nor, in many builds, Bluetooth at
all, so bind, recvmsg and the connection list go through libc.

Sources: Linux net/bluetooth/hci_sock.c, include/net/bluetooth/hci_sock.h, socket(7) for timestamps and buffers.
"""

import ctypes
import errno
import fcntl
import os
import socket
import struct

from collector.radio.bluez.monitor.hci_frames import HEADER, Frame, written
from collector.radio.bluez.monitor.kernel_filter import KernelFilter

AF_BLUETOOTH, BTPROTO_HCI = 31, 1
ANY_ADAPTER, MONITOR_CHANNEL = 0xFFFF, 2
SO_TIMESTAMPNS_NEW, SO_MEMINFO, SO_RCVBUFFORCE = 64, 55, 33
_DROPS = 8  # SK_MEMINFO_DROPS, the ninth number of SO_MEMINFO
ROOM = 1 << 22  # octets asked for the kernel to queue in while nobody reads
_LARGEST = 4096
HCIGETDEVLIST, HCIGETCONNLIST = 0x800448D2, 0x800448D4
LE_LINK = 0x80
_MOST_LINKS = 64


class NotPermitted(Exception):
    """This process may not open the monitor channel; the text is one line for a person."""


class _Vector(ctypes.Structure):
    _fields_ = (("base", ctypes.c_void_p), ("length", ctypes.c_size_t))


class _MessageHeader(ctypes.Structure):  # struct msghdr, recvmsg(2)
    _fields_ = (
        ("name", ctypes.c_void_p),
        ("name_length", ctypes.c_uint32),
        ("vectors", ctypes.POINTER(_Vector)),
        ("vector_count", ctypes.c_size_t),
        ("control", ctypes.c_void_p),
        ("control_length", ctypes.c_size_t),
        ("flags", ctypes.c_int),
    )


class MonitorChannel:
    """A socket on the monitor channel, or any datagram socket that carries its frames."""

    def __init__(self, sock: socket.socket) -> None:
        self.sock = sock
        sock.setblocking(False)
        sock.setsockopt(socket.SOL_SOCKET, SO_TIMESTAMPNS_NEW, 1)
        self._libc = ctypes.CDLL(None, use_errno=True)
        self._data = ctypes.create_string_buffer(_LARGEST)
        self._control = ctypes.create_string_buffer(256)
        self._vector = _Vector(ctypes.addressof(self._data), _LARGEST)

    def fileno(self) -> int:
        return self.sock.fileno()

    def peek(self) -> Frame | None:
        """The next frame, left where it is; None when nothing waits. Raises OSError."""
        return self._receive(socket.MSG_PEEK)

    def take(self) -> Frame | None:
        """The next frame, for good."""
        return self._receive(0)

    def drops(self) -> int:
        """How many frames the kernel had no room for since the socket was opened."""
        numbers = self.sock.getsockopt(socket.SOL_SOCKET, SO_MEMINFO, 4 * (_DROPS + 1))
        return int(struct.unpack_from("I", numbers, 4 * _DROPS)[0])

    def close(self) -> None:
        self.sock.close()

    def _receive(self, flags: int) -> Frame | None:
        header = _MessageHeader(
            None, 0, ctypes.pointer(self._vector), 1, ctypes.addressof(self._control), len(self._control), 0
        )
        count = self._libc.recvmsg(self.fileno(), ctypes.byref(header), flags | socket.MSG_DONTWAIT)
        if count < 0:
            number = ctypes.get_errno()
            if number in (errno.EAGAIN, errno.EINTR):
                return None
            raise OSError(number, os.strerror(number))
        data = self._data.raw[:count]
        if count < HEADER:
            return Frame(0, 0, b"", 0)
        opcode, adapter, _ = struct.unpack_from("<HHH", data)
        return Frame(opcode, adapter, data[HEADER:], _stamp(self._control.raw[: header.control_length]))


def _stamp(control: bytes) -> int:
    """Nanoseconds since 1970 out of the ancillary data (cmsg(3)); 0 where there are none."""
    word = ctypes.sizeof(ctypes.c_size_t)
    at, head = 0, word + 8
    while at + head <= len(control):
        length = int.from_bytes(control[at : at + word], "little")
        level, kind = struct.unpack_from("ii", control, at + word)
        if level == socket.SOL_SOCKET and kind == SO_TIMESTAMPNS_NEW:
            seconds, nanoseconds = struct.unpack_from("qq", control, at + head)
            return int(seconds * 1_000_000_000 + nanoseconds)
        at += max(head, -(-length // word) * word)
    return 0


def open_channel(kernel_filter: KernelFilter) -> MonitorChannel:
    """Open the monitor channel of all adapters. Raises NotPermitted, OSError (no Bluetooth in this kernel)."""
    sock = socket.socket(AF_BLUETOOTH, socket.SOCK_RAW | socket.SOCK_CLOEXEC, BTPROTO_HCI)
    try:
        kernel_filter.attach(sock)  # before bind, or what the kernel replays at bind slips through
        _make_room(sock)
        channel = MonitorChannel(sock)
        _bind(sock, ANY_ADAPTER, MONITOR_CHANNEL)
    except PermissionError:
        sock.close()
        raise NotPermitted("the kernel's monitor channel needs CAP_NET_RAW (the systemd service has it)") from None
    except BaseException:
        sock.close()
        raise
    return channel


def adopt_channel(descriptor: int, kernel_filter: KernelFilter) -> MonitorChannel:
    """Go on with a socket that was kept open for us; what came in the meantime waits in it."""
    sock = socket.socket(AF_BLUETOOTH, socket.SOCK_RAW, BTPROTO_HCI, fileno=descriptor)
    os.set_inheritable(descriptor, False)
    kernel_filter.attach(sock)
    return MonitorChannel(sock)


def links_now() -> dict[tuple[int, int], str] | None:
    """LE links that are up: (adapter, connection handle) to address. Needs no right; None where it can't be had."""
    found: dict[tuple[int, int], str] = {}
    try:
        with socket.socket(AF_BLUETOOTH, socket.SOCK_RAW | socket.SOCK_CLOEXEC, BTPROTO_HCI) as sock:
            for adapter in _adapters(sock):
                request = bytearray(struct.pack("HH", adapter, _MOST_LINKS) + bytes(16 * _MOST_LINKS))
                fcntl.ioctl(sock, HCIGETCONNLIST, request)
                count = struct.unpack_from("H", request, 2)[0]
                for number in range(count):
                    handle, address, kind = struct.unpack_from("<H6sB", request, 4 + 16 * number)
                    if kind == LE_LINK:
                        found[adapter, handle] = written(address)
    except OSError:
        return None
    return found


def _adapters(sock: socket.socket) -> list[int]:
    request = bytearray(struct.pack("H2x", 16) + bytes(8 * 16))
    fcntl.ioctl(sock, HCIGETDEVLIST, request)
    count = struct.unpack_from("H", request)[0]
    return [struct.unpack_from("H", request, 4 + 8 * number)[0] for number in range(count)]


def _make_room(sock: socket.socket) -> None:
    try:
        sock.setsockopt(socket.SOL_SOCKET, SO_RCVBUFFORCE, ROOM)  # needs CAP_NET_ADMIN
    except OSError:
        sock.setsockopt(socket.SOL_SOCKET, socket.SO_RCVBUF, ROOM)  # as far as net.core.rmem_max allows


def _bind(sock: socket.socket, adapter: int, channel: int) -> None:
    address = struct.pack("HHH", AF_BLUETOOTH, adapter, channel)
    libc = ctypes.CDLL(None, use_errno=True)
    if libc.bind(sock.fileno(), address, len(address)):
        number = ctypes.get_errno()
        raise OSError(number, os.strerror(number))

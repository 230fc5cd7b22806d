"""The kernel's user channel: while it is open the adapter is ours, and the system leaves it alone.

Bumble's own needs numbers that many Pythons lack, and drops what the kernel does not take at once; this one waits.
bind() knows no channel before Python 3.14, so libc's is used (net/bluetooth/hci_sock.h, linux/socket.h).
"""

import asyncio
import ctypes
import errno
import fcntl
import logging
import os
import socket
import struct

from bumble.transport.common import ParserSource, Transport

log = logging.getLogger("quietcuff.radio")

AF_BLUETOOTH, BTPROTO_HCI, USER_CHANNEL = 31, 1, 1
HCIDEVDOWN, HCIGETDEVINFO = 0x400448CA, 0x800448D3  # _IOW('H', 202, int), _IOR('H', 211, int)
UP, STARTING = 0x01, 0x02  # HCI_UP, HCI_INIT in the flags of struct hci_dev_info


def _bind(channel: socket.socket, index: int) -> int:
    """Bind to the user channel of an adapter; returns the error number, 0 when it went well."""
    libc = ctypes.CDLL(None, use_errno=True)
    place = struct.pack("<HHH", AF_BLUETOOTH, index, USER_CHANNEL)
    return ctypes.get_errno() if libc.bind(channel.fileno(), place, len(place)) else 0


def _flags(channel: socket.socket, index: int) -> int:
    """What an adapter is at (struct hci_dev_info: number, name, address, flags). Raises OSError."""
    info = bytearray(struct.pack("<H", index) + bytes(254))
    fcntl.ioctl(channel.fileno(), HCIGETDEVINFO, info)
    flags: int = struct.unpack_from("<I", info, 16)[0]
    return flags


def open_user_channel(index: int) -> Transport:
    """The user channel of adapter `index`; one that the system has powered on is powered off first. Raises OSError."""
    kind = socket.SOCK_RAW | socket.SOCK_NONBLOCK | socket.SOCK_CLOEXEC
    channel = socket.socket(AF_BLUETOOTH, kind, BTPROTO_HCI)
    try:
        number = _bind(channel, index)
        if number == errno.EBUSY and _flags(channel, index) & (UP | STARTING) == UP:
            fcntl.ioctl(channel.fileno(), HCIDEVDOWN, index)
            number = _bind(channel, index)
        if number:
            raise OSError(number, os.strerror(number))
    except OSError:
        channel.close()
        raise
    loop = asyncio.get_running_loop()

    class PacketSource(ParserSource):
        def readable(self) -> None:
            try:
                while packet := os.read(channel.fileno(), 4096):
                    self.parser.feed_data(packet)
            except BlockingIOError:
                return
            except OSError as error:
                log.debug("adapter lost: %s", error)
            loop.remove_reader(channel.fileno())
            self.on_transport_lost()

        def close(self) -> None:
            loop.remove_reader(channel.fileno())

    class PacketSink:
        def __init__(self) -> None:
            self._waiting: list[bytes] = []

        def on_packet(self, packet: bytes) -> None:
            self._waiting.append(packet)
            if len(self._waiting) == 1:
                self._send()

        def _send(self) -> None:
            loop.remove_writer(channel.fileno())
            while self._waiting:
                try:
                    os.write(channel.fileno(), self._waiting[0])
                except BlockingIOError:
                    loop.add_writer(channel.fileno(), self._send)
                    return
                except OSError as error:
                    log.debug("adapter lost: %s", error)
                    self._waiting.clear()
                    return
                del self._waiting[0]

        def close(self) -> None:
            loop.remove_writer(channel.fileno())
            channel.close()

    source = PacketSource()
    loop.add_reader(channel.fileno(), source.readable)
    return Transport(source, PacketSink())

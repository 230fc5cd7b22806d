"""The kernel's side of a controller that is not in this kernel."""

import asyncio
import contextlib
import fcntl
import os
import struct
import termios
import tty
from pathlib import Path
from typing import Any

from bumble.transport.common import PacketParser

N_HCI = 15  # the line discipline of Bluetooth: Linux include/uapi/linux/tty.h
HCIUARTSETPROTO, H4 = 0x400455C8, 0  # Linux drivers/bluetooth/hci_uart.h


class Vhci:
    """One controller of the kernel's hci_vhci, both packet source and sink for Bumble.

    Unlike Bumble's own transport it survives that the adapter is down: then the kernel takes no packets.
    Source: Linux drivers/bluetooth/hci_vhci.c.
    """

    def __init__(self) -> None:
        self._descriptor = os.open("/dev/vhci", os.O_RDWR | os.O_NONBLOCK)
        os.write(self._descriptor, b"\xff\x00")  # vendor packet: create a primary controller
        self._sink: Any = None
        asyncio.get_running_loop().add_reader(self._descriptor, self._read)

    def set_packet_sink(self, sink: Any) -> None:
        self._sink = sink

    def on_packet(self, packet: bytes) -> None:
        with contextlib.suppress(OSError):
            os.write(self._descriptor, packet)

    def _read(self) -> None:
        with contextlib.suppress(BlockingIOError):
            packet = os.read(self._descriptor, 4096)
            if packet and packet[0] != 0xFF and self._sink is not None:
                self._sink.on_packet(packet)

    def close(self) -> None:
        asyncio.get_running_loop().remove_reader(self._descriptor)
        os.close(self._descriptor)


class SerialLine:
    """The same where the kernel has no hci_vhci, as Debian's for arm64: a controller at a serial line (H4).

    The line is a pseudo terminal; the kernel registers a controller at the end that is told to speak Bluetooth.
    Source: Linux drivers/bluetooth/hci_ldisc.c; Core Specification Vol 4 Part A.
    """

    def __init__(self) -> None:
        self._ours, self._kernels = os.openpty()
        tty.setraw(self._kernels)
        fcntl.ioctl(self._kernels, termios.TIOCSETD, struct.pack("i", N_HCI))
        fcntl.ioctl(self._kernels, HCIUARTSETPROTO, H4)
        self._parser = PacketParser()
        asyncio.get_running_loop().add_reader(self._ours, self._read)

    def set_packet_sink(self, sink: Any) -> None:
        self._parser.set_packet_sink(sink)

    def on_packet(self, packet: bytes) -> None:
        os.write(self._ours, packet)

    def _read(self) -> None:
        self._parser.feed_data(os.read(self._ours, 4096))

    def close(self) -> None:
        asyncio.get_running_loop().remove_reader(self._ours)
        os.close(self._kernels)
        os.close(self._ours)


def kernels_end() -> Vhci | SerialLine:
    """A further controller of this kernel's."""
    return Vhci() if Path("/dev/vhci").exists() else SerialLine()

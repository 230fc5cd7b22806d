"""The kernel's side of a controller that is not in this kernel."""

import asyncio
import contextlib
import os
from typing import Any


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

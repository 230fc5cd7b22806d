"""What is on the air in the lab: the project's virtual cuffs, on a link with controllers that the kernel owns."""

import asyncio
import contextlib
import os
from collections import deque
from collections.abc import Callable
from typing import Any

from bumble.controller import Controller
from bumble.core import PhysicalTransport
from bumble.hci import Address, HCI_Reset_Command, HCI_StatusReturnParameters
from bumble.link import LocalLink
from bumble.ll import ControlPdu, StartEncRsp, TerminateInd

from collector.radio.virtual.controller import CentralController
from collector.radio.virtual.cuff import VirtualCuff
from collector.radio.virtual.manner import Manner

CONNECTION_TIMEOUT = 0x08  # HCI error code


class Link(LocalLink):
    """Carries what is sent over a connection at the pace of a real one, under the address it was made with.

    Bumble's own delivers at once, which no radio does, and takes the random address for granted.
    """

    pace_s = 0.03  # a connection interval: the profile recommends 50 to 70 ms

    encryption_takes_s = 0.0  # beyond that

    def __init__(self) -> None:
        super().__init__()
        self._waiting: deque[tuple[Callable[..., None], tuple[Any, ...]]] = deque()

    def send_acl_data(self, sender_controller: Controller, destination_address: Address,
                      transport: PhysicalTransport, data: bytes) -> None:
        connection = sender_controller.le_connections.get(destination_address)
        receiver = self.find_le_controller(destination_address)
        if connection is not None and receiver is not None:
            self._later(receiver.on_link_acl_data, connection.self_address, transport, data)

    def send_ll_control_pdu(self, sender_address: Address, receiver_address: Address, packet: ControlPdu) -> None:
        receiver = self.find_le_controller(receiver_address)
        if receiver is None:
            return
        if isinstance(packet, StartEncRsp) and self.encryption_takes_s:
            asyncio.get_running_loop().call_later(
                self.encryption_takes_s, receiver.on_ll_control_pdu, sender_address, packet)
        else:
            self._later(receiver.on_ll_control_pdu, sender_address, packet)

    def _later(self, deliver: Callable[..., None], *arguments: Any) -> None:
        """In the order of sending, which timers of the same instant do not keep."""
        loop = asyncio.get_running_loop()
        self._waiting.append((deliver, arguments))
        if self.pace_s:
            loop.call_later(self.pace_s, self._next)
        else:
            loop.call_soon(self._next)

    def _next(self) -> None:
        deliver, arguments = self._waiting.popleft()
        deliver(*arguments)


class KernelController(CentralController):
    """Forgets on HCI Reset what it was doing, as Bumble's does not (Core Specification Vol 4 Part E §7.3.2)."""

    def on_hci_reset_command(self, command: HCI_Reset_Command) -> HCI_StatusReturnParameters:
        self.le_scan_enable = False
        self.pending_le_connection = None
        for connection in list(self.le_connections.values()):
            connection.send_ll_control_pdu(TerminateInd(CONNECTION_TIMEOUT))
        self.le_connections.clear()
        return super().on_hci_reset_command(command)


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


class Air:
    """Controllers appear to the kernel as hci0, hci1, … in the order they are plugged in."""

    def __init__(self) -> None:
        self.link = Link()
        self.cuffs: list[VirtualCuff] = []
        self._controllers: dict[int, tuple[KernelController, Vhci]] = {}

    async def plug_controller(self, number: int) -> None:
        vhci = Vhci()
        controller = KernelController(f"kernel's {number}", host_source=vhci, host_sink=vhci, link=self.link,
                                      public_address=f"C4:F2:17:1A:1D:{number:02X}")
        self._controllers[number] = controller, vhci

    async def pull_controller(self, number: int) -> None:
        controller, vhci = self._controllers.pop(number)
        self.link.remove_controller(controller)
        vhci.close()

    async def cuff(self, name: str, address: str, manner: Manner | None = None, **options: Any) -> VirtualCuff:
        made = VirtualCuff(name, address, manner, **options)
        await made.plug_in(self.link)
        self.cuffs.append(made)
        return made

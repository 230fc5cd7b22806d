"""What is on the air in the lab: the project's virtual cuffs, on a link with controllers that the kernel owns."""

import asyncio
from collections import deque
from collections.abc import Callable
from typing import Any

from bumble.controller import Controller
from bumble.core import PhysicalTransport
from bumble.hci import Address
from bumble.link import LocalLink
from bumble.ll import ControlPdu
from bumble.transport import open_transport

from collector.radio.virtual.controller import CentralController
from collector.radio.virtual.cuff import VirtualCuff
from collector.radio.virtual.manner import Manner


class Link(LocalLink):
    """Carries what is sent over a connection at the pace of a real one, under the address it was made with.

    Bumble's own delivers at once, which no radio does, and takes the random address for granted.
    """

    pace_s = 0.03  # a connection interval: the profile recommends 50 to 70 ms

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
        if receiver is not None:
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


class Air:
    """Controllers appear to the kernel as hci0, hci1, … in the order they are plugged in."""

    def __init__(self) -> None:
        self.link = Link()
        self.cuffs: list[VirtualCuff] = []
        self._controllers: dict[int, tuple[CentralController, Any]] = {}

    async def plug_controller(self, number: int) -> None:
        vhci = await open_transport("vhci")
        controller = CentralController(f"kernel's {number}", host_source=vhci.source, host_sink=vhci.sink,
                                       link=self.link, public_address=f"C4:F2:17:1A:1D:{number:02X}")
        self._controllers[number] = controller, vhci

    async def pull_controller(self, number: int) -> None:
        controller, vhci = self._controllers.pop(number)
        self.link.remove_controller(controller)
        await vhci.close()

    async def cuff(self, name: str, address: str, manner: Manner | None = None, **options: Any) -> VirtualCuff:
        made = VirtualCuff(name, address, manner, **options)
        await made.plug_in(self.link)
        self.cuffs.append(made)
        return made

"""A link that takes its time, and a controller for a kernel's other end of it."""

import asyncio
import time
from collections import Counter, deque
from collections.abc import Callable
from typing import Any

from bumble.controller import Controller
from bumble.core import PhysicalTransport
from bumble.hci import (
    Address,
    HCI_LE_Set_Scan_Enable_Command,
    HCI_LE_Set_Scan_Parameters_Command,
    HCI_Reset_Command,
    HCI_StatusReturnParameters,
    LeFeatureMask,
)
from bumble.link import LocalLink
from bumble.ll import AdvExtInd, AdvInd, ControlPdu, TerminateInd

from collector.radio.virtual.device import CentralController

CONNECTION_TIMEOUT = 0x08  # HCI error code


class PacedLink(LocalLink):
    """Carries what is sent over a connection at the pace of a real one, under the address it was made with.

    Bumble's own delivers at once, which no radio does, and takes the random address for granted.
    """

    pace_s = 0.03  # a connection interval: the profile recommends 50 to 70 ms

    def __init__(self) -> None:
        super().__init__()
        self._waiting: deque[tuple[Callable[..., None], tuple[Any, ...]]] = deque()

    def send_acl_data(
        self, sender_controller: Controller, destination_address: Address, transport: PhysicalTransport, data: bytes
    ) -> None:
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


class Scanned:
    """How long a controller's receiver was open for advertisements, and for how much of that it asked for more.

    Each scan interval opens it for a scan window; an active scan sends a request at what it hears (§7.8.10).
    """

    def __init__(self) -> None:
        self._share, self._is_active, self._since = 0.0, False, 0.0
        self._open_s: Counter[bool] = Counter()
        self._began = time.monotonic()

    def window(self, share: float, is_active: bool) -> None:
        self._share, self._is_active = share, is_active

    def switch(self, on: bool) -> None:
        now = time.monotonic()
        if self._since:
            self._open_s[self._is_active] += (now - self._since) * self._share
        self._since = now if on else 0.0

    def duty(self) -> dict[str, float]:
        """Per cent of the time since this was asked last: open at all, and in active scans."""
        self.switch(bool(self._since))
        now = time.monotonic()
        took, self._began = now - self._began, now
        open_s, self._open_s = self._open_s, Counter()
        return {"open": round(100 * open_s.total() / took, 1), "active": round(100 * open_s[True] / took, 1)}


class KernelController(CentralController):
    """What a kernel needs of a controller and Bumble's does not do.

    It forgets on HCI Reset what it was doing (Core Specification Vol 4 Part E §7.3.2). It announces neither LL Privacy
    nor Extended Advertising: who does reports a connection by the enhanced event, which Bumble's does not, and the
    kernel holds back every command until that came or 20 s are over (Linux net/bluetooth/hci_sync.c,
    hci_le_create_conn_sync; seen with 6.12). It reports an advertiser once a scan where it is asked to filter
    duplicates (§7.8.11), as real ones do.
    """

    le_features = CentralController.le_features & ~LeFeatureMask.LL_PRIVACY & ~LeFeatureMask.LE_EXTENDED_ADVERTISING

    def __init__(self, *arguments: Any, **options: Any) -> None:
        self._reported: set[Address] = set()
        self.scanned = Scanned()
        super().__init__(*arguments, **options)

    def on_hci_le_set_scan_parameters_command(
        self, command: HCI_LE_Set_Scan_Parameters_Command
    ) -> HCI_StatusReturnParameters:
        self.scanned.window(command.le_scan_window / command.le_scan_interval, bool(command.le_scan_type))
        return super().on_hci_le_set_scan_parameters_command(command)

    def on_hci_le_set_scan_enable_command(self, command: HCI_LE_Set_Scan_Enable_Command) -> HCI_StatusReturnParameters:
        self._reported.clear()
        self.scanned.switch(bool(command.le_scan_enable))
        return super().on_hci_le_set_scan_enable_command(command)

    def on_advertising_pdu(self, pdu: AdvInd | AdvExtInd) -> None:
        scans = self.le_scan_enable
        if self.filter_duplicates and pdu.advertiser_address in self._reported:
            self.le_scan_enable = False  # for this one: a pending connection is made all the same
        elif scans:
            self._reported.add(pdu.advertiser_address)
        try:
            super().on_advertising_pdu(pdu)
        finally:
            self.le_scan_enable = scans

    def on_hci_reset_command(self, command: HCI_Reset_Command) -> HCI_StatusReturnParameters:
        self._drop_everything()
        return super().on_hci_reset_command(command)

    def vanish(self) -> None:
        """Out of reach of everybody, at once."""
        self._drop_everything()
        assert isinstance(self.link, LocalLink)
        self.link.remove_controller(self)

    def _drop_everything(self) -> None:
        self.le_scan_enable = False
        self.scanned.switch(False)
        self.pending_le_connection = None
        for connection in list(self.le_connections.values()):
            peer = self.link.find_le_controller(connection.peer_address)
            if peer is not None:
                peer.on_ll_control_pdu(connection.self_address, TerminateInd(CONNECTION_TIMEOUT))
        self.le_connections.clear()

"""Bumble as our host stack, with the three things we need otherwise.

- An indication is confirmed only when the link says so: with the payload on disk, or known to be none.
- Nothing that comes over the air or from the controller raises into the event loop.
- Advertisements are looked at as bytes (scan.py) and never kept.
"""

import asyncio
import logging
from collections.abc import Callable
from dataclasses import dataclass
from typing import Protocol

from bumble import att, gatt_client, hci, smp
from bumble.device import Connection, Device, DeviceConfiguration
from bumble.host import Host
from bumble.pairing import PairingConfig, PairingDelegate

from collector.radio.exclusive.bonds import Bonds
from collector.radio.exclusive.scan import Advert, adverts, is_report
from collector.radio.port import PairingPerson

log = logging.getLogger("quietcuff.radio")
if not log.isEnabledFor(logging.DEBUG):
    logging.getLogger("bumble").setLevel(logging.CRITICAL)  # it logs packets and tracebacks

LONGEST_VALUE = 512  # octets an attribute value may have (Core Vol 3 Part F 3.2.9)


class ValueHandler(Protocol):
    """Who listens to a connection's indications and notifications."""

    def indicated(self, handle: int, value: bytes) -> bool:
        """Take an indication; whether to confirm it now."""
        ...

    def notified(self, handle: int, value: bytes) -> None: ...


class ConfirmLast(gatt_client.Client):
    """GATT client of one connection that confirms nothing on its own."""

    def __init__(self, connection: Connection, handler: ValueHandler) -> None:
        super().__init__(connection)
        self._handler = handler

    def confirm(self) -> None:
        self.send_confirmation(att.ATT_Handle_Value_Confirmation())

    def on_att_handle_value_indication(self, indication: att.ATT_Handle_Value_Indication) -> None:
        if self._handler.indicated(indication.attribute_handle, indication.attribute_value):
            self.confirm()

    def on_att_handle_value_notification(self, notification: att.ATT_Handle_Value_Notification) -> None:
        self._handler.notified(notification.attribute_handle, notification.attribute_value)

    def on_gatt_pdu(self, att_pdu: att.ATT_PDU) -> None:
        waiting = self.pending_response is not None and not self.pending_response.done()
        if att_pdu.op_code in att.ATT_RESPONSES and not waiting:
            return  # an answer that nobody waits for, or a second one
        super().on_gatt_pdu(att_pdu)

    async def read_bounded(self, handle: int) -> bytes:
        """Read a value, its continuation included, up to the longest that ATT allows."""
        value: bytes = await self.read_value(handle, no_long_read=True)
        part = value
        while len(part) == self.mtu - 1 and len(value) < LONGEST_VALUE:
            response = await self.send_request(
                att.ATT_Read_Blob_Request(attribute_handle=handle, value_offset=len(value))
            )
            if response.op_code == att.Opcode.ATT_ERROR_RESPONSE:
                break  # not long, or its end
            part = response.part_attribute_value
            value += part
        return value[:LONGEST_VALUE]

    def cache_value(self, attribute_handle: int, value: bytes) -> None:
        """Keeps nothing: a value belongs to the sink, not to a cache."""


class QuietHost(Host):
    """HCI host that hands advertisements on as bytes and survives what it cannot read."""

    on_advert: Callable[[Advert], None] | None = None
    on_failure: Callable[[], object] | None = None

    def on_packet(self, packet: bytes) -> None:
        try:
            if is_report(packet):
                if self.on_advert is not None:
                    for advert in adverts(packet):
                        self.on_advert(advert)
            else:
                super().on_packet(packet)
        except Exception:
            log.debug("packet left aside: %s", packet[:8].hex(), exc_info=True)

    def on_hci_hardware_error_event(self, _: hci.HCI_Event) -> None:
        """The controller has failed and forgotten everything (Core Vol 4 Part E 7.7.16)."""
        if self.on_failure is not None:
            self.on_failure()

    def on_transport_lost(self) -> None:
        if self.pending_response is not None and self.pending_response.done():
            self.emit("flush")
        else:
            super().on_transport_lost()  # type: ignore[no-untyped-call]


class OnAir(smp.AddressResolver):
    """Resolves private addresses, but never sends a connection looking for another address than was heard."""

    def can_resolve_to(self, address: hci.Address) -> bool:
        return False


class PasskeyEntry(PairingDelegate):
    """Just works; or, where somebody is at the cuff, the six digits that it shows, typed in or compared."""

    def __init__(self, person: PairingPerson | None, cuff: str) -> None:
        can = PairingDelegate.IoCapability
        super().__init__(can.DISPLAY_OUTPUT_AND_KEYBOARD_INPUT if person else can.NO_OUTPUT_NO_INPUT)
        self._person, self._cuff = person, cuff

    async def get_number(self) -> int | None:
        return await self._person.passkey(self._cuff) if self._person else None

    async def compare_numbers(self, number: int, digits: int) -> bool:
        return self._person is not None and await self._person.same_number(self._cuff, number)


FILTER_POLICY = {hci.HCI_LE_Create_Connection_Command: 4, hci.HCI_LE_Extended_Create_Connection_Command: 0}
"""Which octet of these commands says whether the accept list names the peer (Core Vol 4 Part E 7.8.12, 7.8.66)."""


@dataclass(frozen=True)
class TakenAdapter:
    """An adapter that was had: where its packets go, and when it is gone."""

    host: QuietHost
    gone: asyncio.Future[None]


class Central(Device):
    """The collector's side of the air. want_digits: cuffs that refused a bond made without.

    by_list: a connection that is asked for now is to be with whom the controller's accept list names.
    """

    def __init__(self, name: str, host: Host, bonds: Bonds, person: PairingPerson | None = None) -> None:
        super().__init__(host=host, config=DeviceConfiguration(name=name, address=bonds.address, irk=bonds.irk))
        self.keystore = bonds
        self.want_digits: set[str] = set()
        self.by_list = False
        self._person = person
        self.pairing_config_factory = self._pairing_config

    async def send_async_command(self, command: hci.HCI_AsyncCommand, check_status: bool = True) -> hci.HCI_ErrorCode:
        place = FILTER_POLICY.get(type(command))
        if self.by_list and place is not None:
            octets = bytearray(command.parameters)
            octets[place] = 1
            by_list = type(command).from_parameters(bytes(octets))
            assert isinstance(by_list, hci.HCI_AsyncCommand)
            command = by_list
        return await super().send_async_command(command, check_status)

    def person_at(self, connection: Connection) -> PairingPerson | None:
        """Who can be asked for the digits on this cuff's display, if anybody is there."""
        cuff = connection.peer_address.to_string(False).upper()
        return self._person if self._person is not None and self._person.present(cuff) else None

    def _pairing_config(self, connection: Connection) -> PairingConfig:
        cuff = connection.peer_address.to_string(False).upper()
        person = self.person_at(connection)
        return PairingConfig(
            sc=True,
            mitm=person is not None and cuff in self.want_digits,
            bonding=True,
            delegate=PasskeyEntry(person, cuff),
            identity_address_type=PairingConfig.AddressType.RANDOM,
        )

    async def refresh_resolving_list(self) -> None:
        await super().refresh_resolving_list()
        assert self.keystore is not None
        self.address_resolver = OnAir(await self.keystore.get_resolving_keys())

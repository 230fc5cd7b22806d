"""The Bluetooth side of a virtual cuff: a Bumble device that lets its cuff see, and cut, every step."""

import asyncio
from collections.abc import Callable
from contextlib import suppress
from typing import Any

from bumble import att, core, hci, ll
from bumble.controller import Controller
from bumble.core import AdvertisingData
from bumble.device import Connection, Device, DeviceConfiguration
from bumble.host import Host
from bumble.keys import MemoryKeyStore
from bumble.pairing import PairingConfig, PairingDelegate

from collector.radio.virtual.behaviour import Behaviour

STEPS: dict[int, str] = {
    att.Opcode.ATT_EXCHANGE_MTU_REQUEST: "mtu",
    att.Opcode.ATT_FIND_BY_TYPE_VALUE_REQUEST: "discover",
    att.Opcode.ATT_READ_BY_GROUP_TYPE_REQUEST: "discover",
    att.Opcode.ATT_READ_BY_TYPE_REQUEST: "characteristics",
    att.Opcode.ATT_FIND_INFORMATION_REQUEST: "descriptors",
    att.Opcode.ATT_READ_REQUEST: "read",
    att.Opcode.ATT_WRITE_REQUEST: "write",
    att.Opcode.ATT_WRITE_COMMAND: "write",
    att.Opcode.ATT_HANDLE_VALUE_CONFIRMATION: "confirm",
}

REMOTE_USER = 0x13  # HCI: Remote User Terminated Connection


class Display(PairingDelegate):
    """Shows a passkey, or nothing; or will not pair at all, or leaves when it is to."""

    def __init__(self, passkey: int | None, refuses: bool, leave: Callable[[], None] | None) -> None:
        can = PairingDelegate.IoCapability
        super().__init__(can.NO_OUTPUT_NO_INPUT if passkey is None else can.DISPLAY_OUTPUT_ONLY)
        self._passkey, self._refuses, self._leave = passkey, refuses, leave

    async def accept(self) -> bool:
        if self._leave is not None:
            self._leave()
        return not self._refuses

    async def generate_passkey(self) -> int:
        return self._passkey or 0


class Peripheral(Device):
    """on_pdu: sees every ATT request, with its opcode and octets; True keeps it from being answered."""

    def __init__(
        self,
        name: str,
        address: str,
        irk: bytes,
        host: Host,
        behaviour: Behaviour,
        on_pdu: Callable[[Connection, int, bytes], bool],
    ) -> None:
        super().__init__(
            host=host,
            config=DeviceConfiguration(
                name=name,
                address=hci.Address(address),
                irk=irk,
                gap_service_enabled=False,
                gatt_service_enabled=False,
                advertising_interval_min=behaviour.interval_ms,
                advertising_interval_max=behaviour.interval_ms,
            ),
        )
        self.keystore = MemoryKeyStore()
        self._on_pdu = on_pdu
        self._answers_after_s = behaviour.answers_after_s
        self.pairing_config_factory = lambda connection: PairingConfig(
            sc=not behaviour.legacy_pairing,
            mitm=behaviour.passkey is not None and not behaviour.demands_digits,
            bonding=True,
            delegate=Display(
                behaviour.passkey,
                behaviour.refuses_pairing or behaviour.leaves_at_pairing,
                (lambda: self.cut(connection)) if behaviour.leaves_at_pairing else None,
            ),
            identity_address_type=PairingConfig.AddressType.RANDOM,
        )

    async def get_long_term_key(self, connection_handle: int, rand: bytes, ediv: int) -> bytes | None:
        """Of LE Legacy Pairing, the key that this side gave away (Core Vol 3 Part H 2.4.4); Bumble errs."""
        connection = self.lookup_connection(connection_handle)
        keys = await self.keystore.get(str(connection.peer_address)) if connection and self.keystore else None
        given = keys.ltk_central if keys else None
        if given is not None and (given.rand, given.ediv) == (rand, ediv):
            return given.value
        return await super().get_long_term_key(connection_handle, rand, ediv)

    def on_pairing(self, connection: Connection, identity_address: Any, keys: Any, sc: bool) -> None:
        """Ready for another pairing on the same link, such as one with digits; Bumble's session outlives its end."""
        super().on_pairing(connection, identity_address, keys, sc)
        self.smp_manager.sessions.pop(connection.handle, None)

    def bond_has_digits(self, connection: Connection) -> bool:
        """Whether the bond with this collector was made with the digits on the display."""
        assert isinstance(self.keystore, MemoryKeyStore)
        keys = self.keystore.all_keys.get(str(connection.peer_address))
        found = (keys.ltk, keys.ltk_central, keys.ltk_peripheral) if keys else ()
        return any(key is not None and key.authenticated for key in found)

    def on_gatt_pdu(self, connection_handle: int, pdu: bytes) -> None:
        connection = self.lookup_connection(connection_handle)
        if connection is None or not pdu or self._on_pdu(connection, pdu[0], pdu):
            return
        if self._answers_after_s:
            asyncio.get_running_loop().call_later(self._answers_after_s, self._answer, connection, pdu)
        else:
            self._answer(connection, pdu)

    def _answer(self, connection: Connection, pdu: bytes) -> None:
        if self.lookup_connection(connection.handle) is connection:  # and not another that has its number
            with suppress(core.BaseBumbleError, ValueError, IndexError):
                super().on_gatt_pdu(connection.handle, pdu)

    def send_value(self, connection: Connection, handle: int, value: bytes, indicate: bool) -> None:
        """Indicate or notify, cut to what the link carries; the confirmation comes back through on_pdu."""
        kind = att.ATT_Handle_Value_Indication if indicate else att.ATT_Handle_Value_Notification
        self.send(
            connection,
            att.ATT_CID,
            bytes(kind(attribute_handle=handle, attribute_value=value[: connection.att_mtu - 3])),
        )

    def send(self, connection: Connection, channel: int, octets: bytes) -> None:
        """Any octets on any L2CAP channel."""
        with suppress(core.BaseBumbleError):
            self.send_l2cap_pdu(connection.handle, channel, octets)

    def cut(self, connection: Connection, reason: int = REMOTE_USER) -> None:
        """Hang up at once."""
        if connection.handle in self.connections:
            self.host.send_hci_packet(hci.HCI_Disconnect_Command(connection_handle=connection.handle, reason=reason))

    async def advertise(self, behaviour: Behaviour) -> None:
        if behaviour.private_address:
            self.random_address = hci.Address.generate_private_address(self.irk)
            await self.send_sync_command(hci.HCI_LE_Set_Random_Address_Command(random_address=self.random_address))
        data: list[tuple[int, bytes]] = [(AdvertisingData.FLAGS, b"\x06")]
        if behaviour.lists_service:
            data.append((AdvertisingData.INCOMPLETE_LIST_OF_16_BIT_SERVICE_CLASS_UUIDS, b"\x10\x18"))
        room = 31 - sum(2 + len(value) for _, value in data) - 2
        data.append((AdvertisingData.COMPLETE_LOCAL_NAME, self.name.encode()[: max(room, 0)]))
        self.advertising_data = bytes(AdvertisingData(data))
        await self.start_advertising(auto_restart=False)

    async def stop(self) -> None:
        with suppress(core.BaseBumbleError, asyncio.CancelledError):
            await self.stop_advertising()


class CentralController(Controller):
    """Has an accept list (Core Vol 4 Part E 7.8.16); gives up a connection when told to, and says so (7.8.13)."""

    accepted: frozenset[bytes] = frozenset()

    def on_hci_le_clear_filter_accept_list_command(
        self, _: hci.HCI_LE_Clear_Filter_Accept_List_Command
    ) -> hci.HCI_StatusReturnParameters:
        self.accepted = frozenset()
        return hci.HCI_StatusReturnParameters(hci.HCI_ErrorCode.SUCCESS)

    def on_hci_le_add_device_to_filter_accept_list_command(
        self, command: hci.HCI_LE_Add_Device_To_Filter_Accept_List_Command
    ) -> hci.HCI_StatusReturnParameters:
        self.accepted |= {bytes(command.address)}
        return hci.HCI_StatusReturnParameters(hci.HCI_ErrorCode.SUCCESS)

    def on_advertising_pdu(self, pdu: ll.AdvInd | ll.AdvExtInd) -> None:
        pending = self.pending_le_connection
        if pending and pending.initiator_filter_policy and bytes(pdu.advertiser_address) in self.accepted:
            pending.peer_address = pdu.advertiser_address
        super().on_advertising_pdu(pdu)

    def on_hci_le_create_connection_cancel_command(
        self, command: hci.HCI_LE_Create_Connection_Cancel_Command
    ) -> hci.HCI_StatusReturnParameters:
        if self.pending_le_connection is None:
            return hci.HCI_StatusReturnParameters(hci.HCI_ErrorCode.COMMAND_DISALLOWED_ERROR)
        peer = self.pending_le_connection.peer_address
        self.pending_le_connection = None
        self.send_hci_packet(
            hci.HCI_LE_Connection_Complete_Event(
                status=hci.HCI_ErrorCode.UNKNOWN_CONNECTION_IDENTIFIER_ERROR,
                connection_handle=0,
                role=hci.Role.CENTRAL,
                peer_address_type=peer.address_type,
                peer_address=peer,
                connection_interval=0,
                peripheral_latency=0,
                supervision_timeout=0,
                central_clock_accuracy=0,
            )
        )
        return hci.HCI_StatusReturnParameters(hci.HCI_ErrorCode.SUCCESS)

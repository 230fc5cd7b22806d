"""A controller for a collector on an in-process link, with what Bumble's lacks of a real one."""

from bumble import hci
from bumble.controller import Controller


class CentralController(Controller):
    """Gives up a connection attempt when told to, and says so (Core Vol 4 Part E 7.8.13)."""

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

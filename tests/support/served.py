"""A Bluetooth controller offered to another process over a unix socket, as a dongle is over its cable.

The cuffs and the air stay in this process. When the other process dies, its controller is gone and every
cuff it was talking to loses the link, as by the supervision timeout.
"""

import asyncio
from pathlib import Path

from bumble import ll
from bumble.link import LocalLink
from bumble.transport.common import PacketParser

from collector.radio.virtual.controller import CentralController

LINK_LOST = 0x08


class _Plug(asyncio.Protocol):
    """One process at the socket."""

    def __init__(self, dongle: "ServedAdapter") -> None:
        self._dongle = dongle

    def connection_made(self, transport: asyncio.BaseTransport) -> None:
        assert isinstance(transport, asyncio.Transport)
        self._transport = transport
        self._controller = CentralController("dongle", link=self._dongle.link)
        self._controller.host = self
        self._parser = PacketParser(self._controller)
        self._dongle.plugs.add(self)
        self._dongle.plugged.set()

    def data_received(self, data: bytes) -> None:
        self._parser.feed_data(data)

    def on_packet(self, packet: bytes) -> None:
        """From the controller to the process."""
        if not self._transport.is_closing():
            self._transport.write(packet)

    def connection_lost(self, error: Exception | None) -> None:
        controller, link = self._controller, self._dongle.link
        for connection in list(controller.le_connections.values()):
            peer = link.find_le_controller(connection.peer_address)
            if peer is not None:
                peer.on_ll_control_pdu(connection.self_address, ll.TerminateInd(LINK_LOST))
        controller.le_connections.clear()
        controller.pending_le_connection = None
        controller.le_scan_enable = 0
        link.remove_controller(controller)
        self._dongle.plugs.discard(self)
        if not self._dongle.plugs:
            self._dongle.unplugged.set()
            self._dongle.plugged.clear()

    def pull(self) -> None:
        """Unplug the dongle."""
        self._transport.abort()


class ServedAdapter:
    """`spec` is the transport to hand to the exclusive radio."""

    def __init__(self, path: Path) -> None:
        self.link = LocalLink()
        self.spec = f"unix:{path}"
        self.plugs: set[_Plug] = set()
        self.plugged, self.unplugged = asyncio.Event(), asyncio.Event()
        self._path = path

    async def __aenter__(self) -> "ServedAdapter":
        self._server = await asyncio.get_running_loop().create_unix_server(lambda: _Plug(self), self._path)
        return self

    async def __aexit__(self, *_: object) -> None:
        for plug in list(self.plugs):
            plug.pull()
        self._server.close()
        await asyncio.sleep(0)

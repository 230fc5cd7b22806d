"""A Bluetooth controller offered to another process over a unix socket, as a dongle is over its cable.

The cuffs and the air stay in this process. When the other process dies, its controller is gone and every
cuff it was talking to loses the link, as by the supervision timeout.
"""

import asyncio
from pathlib import Path

from bumble.link import LocalLink
from bumble.transport.common import PacketParser
from paced import KernelController

ADDRESS = "C4:F2:17:1A:1D:00"


class _Plug(asyncio.Protocol):
    """One process at the socket."""

    def __init__(self, dongle: "ServedAdapter") -> None:
        self._dongle = dongle

    def connection_made(self, transport: asyncio.BaseTransport) -> None:
        assert isinstance(transport, asyncio.Transport)
        self._transport = transport
        self._controller = KernelController("dongle", link=self._dongle.link, public_address=ADDRESS)
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
        self._controller.vanish()
        self._dongle.plugs.discard(self)
        if not self._dongle.plugs:
            self._dongle.unplugged.set()
            self._dongle.plugged.clear()

    def pull(self) -> None:
        """Unplug the dongle."""
        self._transport.abort()


class ServedAdapter:
    """`spec` is the transport to hand to the exclusive radio."""

    def __init__(self, path: Path, link: LocalLink | None = None) -> None:
        self.link = link or LocalLink()
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

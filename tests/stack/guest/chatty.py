"""A keyboard-like device that sends what nobody else may see, in notifications, short ones and such in pieces."""

import asyncio
import struct

from bumble.controller import Controller
from bumble.core import UUID, AdvertisingData
from bumble.device import Connection, Device, DeviceConfiguration
from bumble.gatt import Characteristic, Service
from bumble.hci import Address, HCI_AclDataPacket
from bumble.host import Host
from bumble.link import LocalLink


class Chatty:
    ADDRESS = "E0:E1:E2:E3:E4:E5"
    MARK = b"SECRETLY"

    def __init__(self, link: LocalLink) -> None:
        host = Host()
        host.controller = self._controller = Controller("keyboard", link=link)
        self.device = Device(
            host=host,
            config=DeviceConfiguration(
                name="Keyboard",
                address=Address(self.ADDRESS),
                advertising_interval_min=250,
                advertising_interval_max=250,
            ),
        )
        self._keys = Characteristic(
            UUID.from_16_bits(0x2A4D), Characteristic.Properties.NOTIFY, Characteristic.READABLE, b""
        )
        self.device.add_service(Service(UUID.from_16_bits(0x1812), [self._keys]))
        self.device.on("connection", self._on_connection)
        self._connection: Connection | None = None
        self._link = link
        self.typed = 0

    @property
    def connected(self) -> bool:
        return self._connection is not None

    async def power_on(self) -> None:
        await self.device.power_on()
        self.device.advertising_data = bytes(
            AdvertisingData(
                [
                    (AdvertisingData.FLAGS, b"\x06"),
                    (AdvertisingData.COMPLETE_LOCAL_NAME, b"Keyboard"),
                    (AdvertisingData.COMPLETE_LIST_OF_16_BIT_SERVICE_CLASS_UUIDS, b"\x12\x18"),
                ]
            )
        )
        await self.device.start_advertising(auto_restart=False)

    def _on_connection(self, connection: Connection) -> None:
        self._connection = connection

    async def type_away(self) -> None:
        """Every 50 ms: a short notification, and a long one whose second piece is a packet of its own."""
        assert self._connection is not None
        while True:
            short = struct.pack("<BH", 0x1B, self._keys.handle) + self.MARK
            long = struct.pack("<BH", 0x1B, self._keys.handle) + bytes(12) + self.MARK * 5
            self._send(short, len(short) + 4)
            self._send(long, 20)
            self.typed += 2
            await asyncio.sleep(0.05)

    def _send(self, att: bytes, size: int) -> None:
        """Straight to the other controller's host, in pieces, as a real controller hands them on."""
        frame = struct.pack("<HH", len(att), 4) + att
        for other in self._link.controllers:
            for connection in other.le_connections.values():
                if str(connection.peer_address).startswith(self.ADDRESS):
                    for at in range(0, len(frame), size):
                        part = frame[at : at + size]
                        other.send_hci_packet(HCI_AclDataPacket(connection.handle, 1 if at else 2, 0, len(part), part))

    async def leave(self) -> None:
        if self._connection is not None:
            await self._connection.disconnect()

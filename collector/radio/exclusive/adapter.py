"""An adapter of our own: taken from the system for as long as the radio runs, and given back at its end."""

import asyncio
import ctypes
import errno
import logging
import os
import socket
import struct
from collections.abc import AsyncIterator
from contextlib import asynccontextmanager, suppress
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

from collector.radio.exclusive.radio import Adapter, BumbleRadio
from collector.radio.port import RadioUnavailable
from collector.radio.within import within

if TYPE_CHECKING:
    from bumble.transport.common import Transport

    from collector.radio.exclusive.host import Passkey, QuietHost

log = logging.getLogger("quietcuff.radio")

AF_BLUETOOTH, BTPROTO_HCI, USER_CHANNEL = 31, 1, 1  # linux/socket.h, net/bluetooth/hci_sock.h
REASONS = {
    errno.EBUSY: "is in use: stop what uses it, or take it down with 'hciconfig {name} down'",
    errno.EPERM: "may not be taken: the right CAP_NET_ADMIN is needed",
    errno.ENODEV: "is not there",
    errno.EAFNOSUPPORT: "cannot be had: this kernel has no Bluetooth",
    errno.EPROTONOSUPPORT: "cannot be had: this kernel has no Bluetooth",
}


@dataclass
class TakenAdapter:
    host: "QuietHost"
    gone: asyncio.Future[None]


class ExclusiveRadio(BumbleRadio):
    """An adapter given over to quietcuff: nothing is confirmed to a cuff before it is on disk.

    transport: 'hci-socket:N' for the system's adapter N, 'usb:N' for a dongle, or what else Bumble opens.
    keys_folder: where the bonds are kept. passkey: asks a person for the digits that a cuff shows.
    """

    source = "exclusive"

    def __init__(self, transport: str, keys_folder: Path, name: str = "quietcuff", *,
                 passkey: "Passkey | None" = None, pause_s: float = 1.0) -> None:
        super().__init__(keys_folder, name, passkey, pause_s)
        self.transport = transport

    @asynccontextmanager
    async def _adapter(self) -> AsyncIterator[Adapter]:
        from collector.radio.exclusive.host import QuietHost

        transport = await open_adapter(self.transport)
        try:
            gone = asyncio.ensure_future(_terminated(transport))
            yield TakenAdapter(QuietHost(transport.source, transport.sink), gone)
            gone.cancel()
        finally:
            with suppress(Exception):
                await within(1.0, transport.close())


async def _terminated(transport: "Transport") -> None:
    with suppress(Exception):
        await asyncio.shield(transport.source.terminated)


async def open_adapter(spec: str) -> "Transport":
    """Open a transport by its name. Raises RadioUnavailable with one line that says why not."""
    kind, _, where = spec.partition(":")
    try:
        if kind == "hci-socket":
            return open_user_channel(int(where or "0"))
        from bumble.transport import open_transport

        return await within(10.0, open_transport(spec))
    except RadioUnavailable:
        raise
    except TimeoutError:
        raise RadioUnavailable(f"adapter {spec}: no answer") from None
    except OSError as error:
        name = f"hci{where or '0'}" if kind == "hci-socket" else spec
        reason = REASONS.get(error.errno or 0, f"cannot be had: {error.strerror or error}")
        raise RadioUnavailable(f"adapter {name} {reason.format(name=name)}") from None
    except Exception as error:
        raise RadioUnavailable(f"adapter {spec} cannot be had: {error}") from None


def open_user_channel(index: int) -> "Transport":
    """The kernel's user channel of one adapter: while it is open, the system leaves it alone.

    Raises OSError. (Many Pythons lack these numbers, and bind() knows no channel before 3.14, so libc's is
    used; a packet that the kernel does not take at once is sent again, not dropped.)
    """
    from bumble.transport.common import ParserSource, Transport

    kind = socket.SOCK_RAW | socket.SOCK_NONBLOCK | socket.SOCK_CLOEXEC
    channel = socket.socket(AF_BLUETOOTH, kind, BTPROTO_HCI)
    libc = ctypes.CDLL(None, use_errno=True)
    place = struct.pack("<HHH", AF_BLUETOOTH, index, USER_CHANNEL)
    if libc.bind(channel.fileno(), place, len(place)) != 0:
        number = ctypes.get_errno()
        channel.close()
        raise OSError(number, os.strerror(number))
    loop = asyncio.get_running_loop()

    class Source(ParserSource):
        def readable(self) -> None:
            try:
                while packet := os.read(channel.fileno(), 4096):
                    self.parser.feed_data(packet)
            except BlockingIOError:
                return
            except OSError as error:
                log.debug("adapter lost: %s", error)
            loop.remove_reader(channel.fileno())
            self.on_transport_lost()

        def close(self) -> None:
            loop.remove_reader(channel.fileno())

    class Sink:
        def __init__(self) -> None:
            self._waiting: list[bytes] = []

        def on_packet(self, packet: bytes) -> None:
            self._waiting.append(packet)
            if len(self._waiting) == 1:
                self._send()

        def _send(self) -> None:
            loop.remove_writer(channel.fileno())
            while self._waiting:
                try:
                    os.write(channel.fileno(), self._waiting[0])
                except BlockingIOError:
                    loop.add_writer(channel.fileno(), self._send)
                    return
                except OSError as error:
                    log.debug("adapter lost: %s", error)
                    self._waiting.clear()
                    return
                del self._waiting[0]

        def close(self) -> None:
            loop.remove_writer(channel.fileno())
            channel.close()

    source = Source()
    loop.add_reader(channel.fileno(), source.readable)
    return Transport(source, Sink())

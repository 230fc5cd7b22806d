"""An adapter of our own: taken from the system for as long as the radio runs, and given back at its end."""

import asyncio
import errno
import logging
import socket
from collections.abc import AsyncIterator
from contextlib import asynccontextmanager, suppress
from dataclasses import dataclass
from importlib.util import find_spec
from pathlib import Path
from typing import TYPE_CHECKING

from collector.radio.exclusive.radio import Adapter, BumbleRadio
from collector.radio.port import PairingPerson, RadioUnavailable
from collector.radio.time_limit import within

if TYPE_CHECKING:
    from bumble.transport.common import Transport

    from collector.radio.exclusive.host import QuietHost


log = logging.getLogger("quietcuff.radio")

REASONS = {
    errno.EBUSY: "is in use by another program: only one can have it",
    errno.EPERM: "may not be taken: the right CAP_NET_ADMIN is needed",
    errno.EACCES: "may not be taken: the right CAP_NET_ADMIN is needed",
    errno.ERFKILL: "is switched off: 'rfkill unblock bluetooth' switches it on",
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
    keys_folder: where the bonds are kept. person: who can be asked for the digits on a cuff's display.
    """

    source = "exclusive"

    def __init__(
        self,
        transport: str,
        keys_folder: Path,
        name: str = "quietcuff",
        *,
        person: PairingPerson | None = None,
        pause_s: float = 1.0,
    ) -> None:
        super().__init__(keys_folder, name, person, pause_s)
        self.transport = transport

    @asynccontextmanager
    async def _adapter(self) -> AsyncIterator[Adapter]:
        from collector.radio.exclusive.host import QuietHost

        transport = await open_adapter(self.transport)
        try:
            gone = asyncio.ensure_future(_terminated(transport))
            log.info("adapter %s is ours until the end", self.transport)
            yield TakenAdapter(QuietHost(transport.source, transport.sink), gone)
            gone.cancel()
        finally:
            with suppress(Exception):
                await within(1.0, transport.close())
            log.info("adapter %s is given back", self.transport)


async def _terminated(transport: "Transport") -> None:
    with suppress(Exception):
        await asyncio.shield(transport.source.terminated)


def transport_of(adapter: str | None) -> str:
    """Where an adapter as the configuration names it is had: 'hci-socket:1' for 'hci1', the first one for None."""
    name = adapter or "hci0"
    return f"hci-socket:{name.removeprefix('hci')}" if name.startswith("hci") else name


def called(spec: str) -> str:
    """A transport as people know it: 'hci1' for 'hci-socket:1'."""
    kind, _, where = spec.partition(":")
    return f"hci{where or '0'}" if kind == "hci-socket" else spec


async def open_adapter(spec: str) -> "Transport":
    """Open a transport by its name. Raises RadioUnavailable with one line that says why not."""
    kind, _, where = spec.partition(":")
    try:
        if kind == "hci-socket":
            from collector.radio.exclusive.user_channel import open_user_channel

            return open_user_channel(int(where or "0"))
        from bumble.transport import open_transport

        return await within(10.0, open_transport(spec))
    except RadioUnavailable:
        raise
    except TimeoutError:
        raise RadioUnavailable(f"adapter {spec}: no answer") from None
    except OSError as error:
        reason = REASONS.get(error.errno or 0, f"cannot be had: {error.strerror or error}")
        raise RadioUnavailable(f"adapter {called(spec)} {reason}") from None
    except Exception as error:
        raise RadioUnavailable(f"adapter {spec} cannot be had: {error}") from None


AF_BLUETOOTH, BTPROTO_HCI = 31, 1  # linux/socket.h, net/bluetooth/bluetooth.h
CAP_NET_ADMIN = 12  # capabilities(7), linux/capability.h


def missing(status: Path = Path("/proc/self/status")) -> list[tuple[str, str]]:
    """What stands in the way of `--radio exclusive` for this process, each with its remedy; empty: nothing does."""
    found = []
    if find_spec("bumble") is None:
        found.append(("the host stack Bumble is not installed", "pip install 'quietcuff[virtual]'"))
    try:
        socket.socket(AF_BLUETOOTH, socket.SOCK_RAW, BTPROTO_HCI).close()
    except PermissionError:
        pass  # told below
    except OSError:
        found.append(("this kernel has no Bluetooth", "a USB dongle can be used without it: adapter = 'usb:0'"))
    if not _effective(status) >> CAP_NET_ADMIN & 1:
        found.append(
            ("the right to take an adapter is missing (CAP_NET_ADMIN)", "sudo; a service: systemd/exclusive.conf")
        )
    return found


def _effective(status: Path) -> int:
    """The process's effective capabilities (proc(5), CapEff)."""
    for line in status.read_text("ascii").splitlines():
        if line.startswith("CapEff:"):
            return int(line.split()[1], 16)
    return 0

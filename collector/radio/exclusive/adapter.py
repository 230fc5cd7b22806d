"""An adapter of our own: taken from the system for as long as the radio runs, and given back at its end."""

import asyncio
import errno
import logging
from collections.abc import AsyncIterator
from contextlib import asynccontextmanager, suppress
from pathlib import Path

from bumble.transport import open_transport
from bumble.transport.common import Transport

from collector.radio.errors import RadioUnavailable
from collector.radio.exclusive.host import QuietHost, TakenAdapter
from collector.radio.exclusive.radio import BumbleRadio
from collector.radio.exclusive.rights import called
from collector.radio.exclusive.user_channel import open_user_channel
from collector.radio.port import PairingPerson
from collector.radio.time_limit import within

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
    async def _adapter(self) -> AsyncIterator[TakenAdapter]:
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


async def _terminated(transport: Transport) -> None:
    with suppress(Exception):
        await asyncio.shield(transport.source.terminated)


async def open_adapter(spec: str) -> Transport:
    """Open a transport by its name. Raises RadioUnavailable with one line that says why not."""
    kind, _, where = spec.partition(":")
    try:
        if kind == "hci-socket":
            return open_user_channel(int(where or "0"))
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

"""The trial of an adapter before anything rests on it: taken, reset, listened with, and given back as it was.

Given back is proved by taking it once more: a chip that lost its power, and with it its firmware, answers no reset or
is another one then, by its version (Core Vol 4 Part E 7.4.1) or its address.
"""

import asyncio
import time
from contextlib import suppress

from bumble.core import BaseBumbleError
from bumble.device import Device
from bumble.hci import HCI_LE_1M_PHY, HCI_Read_BD_ADDR_Command, HCI_Reset_Command

from collector.radio.errors import RadioUnavailable
from collector.radio.exclusive.adapter import open_adapter
from collector.radio.exclusive.host import QuietHost
from collector.radio.exclusive.rights import called
from collector.radio.exclusive.scan import Advert
from collector.radio.time_limit import within

LISTEN_S = 20.0  # at most; an ordinary room is heard in the first second
ENOUGH = 3  # advertisements
SETTLE_S = 10.0  # what the system gets to set up again what it was given back
ANSWER_S = 10.0  # for a reset, and what is asked after it


async def try_adapter(transport: str) -> int:
    """How many advertisements were heard by an adapter that passed; the system is without it meanwhile.

    transport: as for `open_adapter`. Raises RadioUnavailable, one line that says what failed.
    """
    name = called(transport)
    before, heard = await _take(transport, LISTEN_S)
    if not heard:
        raise RadioUnavailable(
            f"{name} was taken and reset, but heard nothing in {LISTEN_S:.0f} s; "
            "keep a cuff or a phone awake beside it and try again"
        )
    try:
        after = await _take_again(transport)
    except RadioUnavailable as error:
        raise RadioUnavailable(f"{name} was not given back: {error}") from None
    if after != before:
        raise RadioUnavailable(
            f"{name} came back as another than it was (then {before}, now {after}): it seems to lose its firmware"
        )
    return heard


async def _take_again(transport: str) -> str:
    """What the adapter says it is, as soon as it can be had; the system sets up first what it was given back."""
    until = time.monotonic() + SETTLE_S
    while True:
        await asyncio.sleep(SETTLE_S / 10)
        try:
            return (await _take(transport, 0.0))[0]
        except RadioUnavailable:
            if time.monotonic() > until:
                raise


async def _take(transport: str, listen_s: float) -> tuple[str, int]:
    """What the adapter says it is, and how many advertisements it heard: a few are enough, within `listen_s`."""
    opened = await open_adapter(transport)
    try:
        host = QuietHost(opened.source, opened.sink)
        return await within(ANSWER_S, _reset(host)), await _listen(host, listen_s) if listen_s else 0
    except TimeoutError:
        raise RadioUnavailable(f"{called(transport)} does not answer") from None
    except (BaseBumbleError, OSError) as error:
        raise RadioUnavailable(f"{called(transport)} does not do what it is told: {error}") from None
    finally:
        await opened.close()


async def _reset(host: QuietHost) -> str:
    await host.reset()
    address = (await host.send_sync_command(HCI_Read_BD_ADDR_Command())).bd_addr
    version = host.local_version
    known = f", maker {version.company_identifier}, version {version.lmp_subversion:#06x}" if version else ""
    return f"{address.to_string(False)}{known}"


async def _listen(host: QuietHost, listen_s: float) -> int:
    """The way the radio itself does: all that is heard, without asking for more."""
    heard, enough = 0, asyncio.Event()

    def count(_: Advert) -> None:
        nonlocal heard
        heard += 1
        if heard == ENOUGH:
            enough.set()

    host.on_advert = count
    device = Device("quietcuff", host=host)
    await within(ANSWER_S, device.power_on())
    await device.start_scanning(active=False, scanning_phys=[HCI_LE_1M_PHY])
    with suppress(TimeoutError):
        await within(listen_s, enough.wait())
    await within(ANSWER_S, host.send_sync_command(HCI_Reset_Command()))
    return heard

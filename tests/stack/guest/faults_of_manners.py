"""Cuffs that are particular about pairing; each comes several times, and none may cost another one its visit."""

import asyncio
from collections.abc import Callable
from dataclasses import replace

from bumble.device import Connection
from bumble.smp import SMP_CID
from lab import MANNER, Lab, emptied, fill, outcome
from one_visit import subscribed

from collector.radio.virtual.cuff import VirtualCuff

OPEN = replace(MANNER, pairing=False, asks_for_security=False)
VISITS = 3


def at_pairing(cuff: VirtualCuff, do: Callable[[Connection], None]) -> None:
    """What the cuff does at the first request to pair, instead of an answer."""
    device = cuff._plugged.device

    def on_pdu(handle: int, _: bytes) -> None:
        connection = device.lookup_connection(handle)
        if connection is not None:
            do(connection)

    device.l2cap_channel_manager.register_fixed_channel(SMP_CID, on_pdu)


async def comes(cuff: VirtualCuff, visits: int = VISITS) -> list[float]:
    """It comes with two records each time; how many seconds each time until it was subscribed to."""
    waits: list[float] = []
    for _ in range(visits):
        fill(cuff, 2)
        looking = asyncio.create_task(subscribed(cuff))
        await emptied(cuff, 2)
        looking.cancel()
        if looking.done():
            waits.append(looking.result().get("subscribed_s", 60.0))
        await asyncio.sleep(2)
    return waits


async def hangs_up_at_pairing(lab: Lab) -> None:
    """It needs no bond, and hangs up when asked for one."""
    cuff = await lab.cuff(OPEN)
    at_pairing(cuff, cuff._plugged.device.cut)
    waits = await comes(cuff)
    await outcome("hangs up at pairing", [cuff], waits=waits)


async def keeps_no_bond(lab: Lab) -> None:
    """It pairs, without the bonding flag: at each visit anew."""
    cuff = await lab.cuff()
    device = cuff._plugged.device
    made = device.pairing_config_factory

    def without_bond(connection: Connection) -> object:
        config = made(connection)
        config.bonding = False
        return config

    device.pairing_config_factory = without_bond
    waits = await comes(cuff)
    await outcome("keeps no bond", [cuff], waits=waits)


async def beside_one_that_ignores_pairing(lab: Lab) -> None:
    """One wants a bond and never answers when asked for it; another one's visits go on meanwhile."""
    silent = await lab.cuff(replace(MANNER, patience_s=40.0, advertises_s=20.0, asks_for_security=False))
    at_pairing(silent, lambda _: None)
    fill(silent, 1)
    hanging = asyncio.create_task(silent.wake())
    await asyncio.sleep(6)
    cuff = await lab.cuff(OPEN)
    waits = await comes(cuff)
    hanging.cancel()
    silent._plugged.cut()
    await outcome("beside one that ignores pairing", [cuff], waits=waits)

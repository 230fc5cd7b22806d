"""Connections that the controller makes by itself, with whom its accept list names: no scan, nothing heard before.

Source: Core Vol 4 Part E 7.8.12 (initiator filter policy), 7.8.15 and 7.8.16 (filter accept list).
"""

import asyncio
from collections.abc import Callable
from contextlib import suppress
from dataclasses import dataclass

from bumble import core, hci
from bumble.device import ConnectionParametersPreferences

from collector.radio.exclusive.host import Central

PhyParameters = dict[hci.Phy, ConnectionParametersPreferences]
Listed = frozenset[tuple[bytes, int]]
"""Addresses as on the air, six octets, low octet first, each with its type: 0 public, 1 random."""

GIVING_UP_S = 5.0


@dataclass(frozen=True, slots=True)
class Wish:
    """Whether it is still wanted, which is asked at each piece of news, and every `look_s`."""

    wanted: Callable[[], bool]
    news: asyncio.Event
    look_s: float


async def connect_first(device: Central, listed: Listed, pace: PhyParameters, wish: Wish) -> bool:
    """Until one of them is connected, or that is not wanted any more. False: this controller does no such thing."""
    connecting = asyncio.ensure_future(_connect(device, listed, pace))
    try:
        while not connecting.done():
            news = asyncio.ensure_future(wish.news.wait())
            await asyncio.wait({connecting, news}, timeout=wish.look_s, return_when=asyncio.FIRST_COMPLETED)
            news.cancel()
            wish.news.clear()
            if not connecting.done() and not wish.wanted():
                with suppress(core.BaseBumbleError):  # a connection was quicker
                    await device.send_sync_command(hci.HCI_LE_Create_Connection_Cancel_Command())
                await asyncio.wait({connecting}, timeout=GIVING_UP_S)
                break
    finally:
        connecting.cancel()
    failure = connecting.exception() if connecting.done() and not connecting.cancelled() else None
    return failure is None or isinstance(failure, core.ConnectionError)  # that one is of the attempt, or given up


async def _connect(device: Central, listed: Listed, pace: PhyParameters) -> None:
    await device.send_sync_command(hci.HCI_LE_Clear_Filter_Accept_List_Command())
    for octets, kind in listed:
        address = hci.Address(octets, hci.AddressType(kind & 1))
        await device.send_sync_command(
            hci.HCI_LE_Add_Device_To_Filter_Accept_List_Command(address_type=kind & 1, address=address)
        )
    device.by_list = True
    try:
        await device.connect_le(hci.Address.ANY, pace, timeout=None)
    finally:
        device.by_list = False

"""Faults of the machine: bluetoothd, D-Bus, the adapter, the switch for all radios."""

import asyncio
import signal
import struct

from lab import STORE, Lab, emptied, fill, in_the_middle, outcome
from machine import Collected, end_dbus, start_bluetoothd, start_dbus


async def bluetoothd_killed(lab: Lab) -> None:
    """bluetoothd killed with -9 in the middle of a transfer, and started again."""
    cuff = await lab.cuff()
    fill(cuff, 2)
    await cuff.wake()
    for _ in range(lab.times):
        fill(cuff, 20)
        speaking = await in_the_middle(cuff, 5)
        await lab.bluetoothd.end(signal.SIGKILL)
        await asyncio.wait({speaking}, timeout=20)
        lab.bluetoothd = await start_bluetoothd()
        await asyncio.sleep(3)
        await emptied(cuff, 4)
    await outcome("bluetoothd killed", [cuff], times=lab.times)


async def adapter_pulled(lab: Lab) -> None:
    """The adapter pulled out in the middle of a transfer, and put back."""
    cuff = await lab.cuff()
    fill(cuff, 2)
    await cuff.wake()
    for _ in range(lab.times):
        fill(cuff, 20)
        speaking = await in_the_middle(cuff, 5)
        await lab.air.pull_controller(0)
        await asyncio.sleep(1)
        await asyncio.wait({speaking}, timeout=20)
        await lab.air.plug_controller(0)
        await lab.see_adapter()
        await asyncio.sleep(4)
        await emptied(cuff, 4)
    await outcome("adapter pulled", [cuff], times=lab.times)


async def dbus_started_again(lab: Lab) -> None:
    """D-Bus ends, and bluetoothd with it; both come back."""
    cuff = await lab.cuff()
    fill(cuff, 2)
    await cuff.wake()
    await end_dbus()
    await lab.bluetoothd.end()
    await lab.listener.says("the connection to D-Bus is lost", 30)
    told = Collected(STORE).conditions
    await start_dbus()
    lab.bluetoothd = await start_bluetoothd()
    await asyncio.sleep(12)
    fill(cuff, 5)
    await emptied(cuff, 3)
    await outcome("D-Bus started again", [cuff], told=told, conditions=Collected(STORE).conditions)


async def blocked(lab: Lab) -> None:
    """rfkill blocks Bluetooth for a while (Linux include/uapi/linux/rfkill.h)."""
    cuff = await lab.cuff()
    fill(cuff, 2)
    await cuff.wake()
    _rfkill(True)
    await asyncio.sleep(6)
    told = Collected(STORE).conditions
    _rfkill(False)
    await asyncio.sleep(20)
    fill(cuff, 5)
    await emptied(cuff, 3)
    await outcome("blocked", [cuff], told=told, conditions=Collected(STORE).conditions)


def _rfkill(block: bool) -> None:
    with open("/dev/rfkill", "wb", buffering=0) as switch:
        switch.write(struct.pack("<IBBBB", 0, 2, 3, block, 0))  # all Bluetooth: change to

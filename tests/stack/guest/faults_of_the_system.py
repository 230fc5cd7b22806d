"""Faults of the machine: bluetoothd, D-Bus, the adapter, the switch for all radios."""

import asyncio
import signal
import struct
from collections.abc import Awaitable, Callable

from lab import STORE, Lab, emptied, fill, in_the_middle, outcome
from machine import Collected, adapter_there, end_dbus, start_bluetoothd, start_dbus


async def bluetoothd_killed(lab: Lab) -> None:
    """bluetoothd killed with -9 in the middle of a transfer, and started again."""

    async def kill() -> None:
        await lab.bluetoothd.end(signal.SIGKILL)

    async def start() -> None:
        lab.bluetoothd = await start_bluetoothd()

    await gone_in_the_middle(lab, "bluetoothd killed", kill, start)


async def bluetoothd_hung(lab: Lab) -> None:
    """bluetoothd stopped in the middle of a transfer, so that it answers nobody, and later let go on.

    The cuff leaves and comes back meanwhile, and the kernel makes the link; bluetoothd may then be deaf on it.
    """

    async def stop() -> None:
        lab.bluetoothd.process.send_signal(signal.SIGSTOP)

    async def go_on() -> None:
        lab.bluetoothd.process.send_signal(signal.SIGCONT)

    await gone_in_the_middle(lab, "bluetoothd hung", stop, go_on)


async def adapter_pulled(lab: Lab) -> None:
    """The adapter pulled out in the middle of a transfer, and put back."""

    async def pull() -> None:
        await lab.air.pull_controller(0)

    async def put_back() -> None:
        await lab.air.plug_controller(0)
        await lab.see_adapter()

    await gone_in_the_middle(lab, "adapter pulled", pull, put_back)


async def gone_in_the_middle(
    lab: Lab, name: str, go: Callable[[], Awaitable[None]], come_back: Callable[[], Awaitable[None]]
) -> None:
    """Something that a transfer needs goes in the middle of one and comes back, again and again."""
    cuff = await lab.cuff()
    fill(cuff, 2)
    await cuff.wake()
    for _ in range(lab.times):
        fill(cuff, 20)
        speaking = await in_the_middle(cuff, 5)
        await go()
        await asyncio.wait({speaking}, timeout=25)  # a link counts as deaf after twice ten seconds without a word
        await come_back()
        await asyncio.sleep(4)
        await asyncio.wait({speaking}, timeout=60)  # a cuff does not wake twice at once
        await emptied(cuff, 4)
    await outcome(name, [cuff], times=lab.times, made_anew=lab.listener.said().count("is deaf"))


async def dbus_started_again(lab: Lab) -> None:
    """D-Bus ends, and bluetoothd with it; both come back."""
    cuff = await lab.cuff()
    fill(cuff, 2)
    await cuff.wake()
    lab.bluetoothd.asked_to_end = True  # it ends with its bus
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


async def two_adapters(lab: Lab) -> None:
    """Both hear the cuff: one visit at a time, one bond, one cuff."""
    await lab.air.plug_controller(1)
    if not await adapter_there("hci1", 30):
        raise RuntimeError("no second adapter")
    await asyncio.sleep(3)
    cuff = await lab.cuff()
    for _ in range(3):
        fill(cuff, 3)
        await emptied(cuff, 2)
        await asyncio.sleep(1)
    bonds = [number for number in (0, 1) if await _bonded(number, cuff.address)]
    found = Collected(STORE)
    said = lab.listener.said()
    await lab.air.pull_controller(1)
    await asyncio.sleep(2)
    await outcome(
        "two adapters",
        [cuff],
        bonds=len(bonds),
        met=found.cuffs_since(cuff.address),
        missing=found.bond_missing(cuff.address),
        visits=said.count(f"{cuff.address}: visit began"),
        conditions=found.conditions,
    )


async def _bonded(adapter: int, address: str) -> bool:
    process = await asyncio.create_subprocess_exec(
        *("busctl", "get-property", "org.bluez", f"/org/bluez/hci{adapter}/dev_{address.replace(':', '_')}"),
        *("org.bluez.Device1", "Bonded"),
        stdout=asyncio.subprocess.PIPE,
        stderr=asyncio.subprocess.DEVNULL,
    )
    return b"true" in (await process.communicate())[0]

"""Whatever happens: each fault once or many times over, and what was lost or stood twice afterwards.

Arguments: names of faults; all where there is none.
"""

import asyncio
import contextlib
import os
import signal
import socket
import struct
import subprocess
import sys
from collections.abc import Awaitable, Callable

from air import Air
from chatty import Chatty
from machine import Collected, Program, adapter_there, end_dbus, listen, start_bluetoothd, start_dbus
from report import say, step

from collector.radio.virtual.cuff import VirtualCuff
from collector.radio.virtual.manner import Manner

STORE = "/run/f.db"
MANNER = Manner(interval_ms=250, lingers_s=2.0, patience_s=45.0, advertises_s=90.0)
WAIT_S = 20.0


class Lab:
    """The guest with everything running; faults change parts of it and put them back."""

    def __init__(self) -> None:
        self.air = Air()
        self.made = 0
        self.bluetoothd: Program
        self.listener: Program

    async def begin(self, listener: bool = True) -> None:
        await start_dbus()
        await self.air.plug_controller(0)
        self.bluetoothd = await start_bluetoothd()
        await self.see_adapter()
        if listener:
            await self.begin_listener()

    async def see_adapter(self) -> None:
        while not await adapter_there("hci0"):
            say("the kernel gave up on the controller; plugged in again")
            await self.air.pull_controller(0)
            await self.air.plug_controller(0)

    async def begin_listener(self) -> None:
        self.listener = listen(STORE)
        await self.listener.says("listening")
        await asyncio.sleep(4)

    async def cuff(self, manner: Manner = MANNER) -> VirtualCuff:
        self.made += 1
        return await self.air.cuff(f"Cuff {self.made}", f"F0:F1:F2:F3:F4:{self.made:02X}", manner)


def fill(cuff: VirtualCuff, count: int) -> None:
    """Records that differ from each other and from all other cuffs'."""
    for _ in range(count):
        number = len(cuff.measured)
        cuff.measure(100 + number % 100, 60 + number // 100 % 30, 90, pulse=int(cuff.address[-2:], 16) * 4 % 200 + 40)


async def emptied(cuff: VirtualCuff, wakings: int = 1) -> int:
    """Wake it until it has got rid of everything; how often that took."""
    for number in range(1, wakings + 1):
        await cuff.wake()
        if not [payload for payload in cuff.measured if payload not in cuff.confirmed]:
            return number
        await asyncio.sleep(1)
    return wakings


async def outcome(name: str, cuffs: list[VirtualCuff], store: str = STORE, **more: object) -> None:
    """What was measured, what of it is kept, and how many readings that made of it."""
    measured = [payload for cuff in cuffs for payload in cuff.measured]
    for _ in range(int(WAIT_S * 5)):
        found = Collected(store)
        if all(payload in found.payloads for payload in measured):
            break
        await asyncio.sleep(0.2)
    kept = sum(payload in found.payloads for payload in measured)
    readings = sum(found.readings_of(cuff.address) for cuff in cuffs)
    step(name, measured=len(measured), confirmed=sum(len(set(cuff.confirmed)) for cuff in cuffs), kept=kept,
         lost=len(measured) - kept, readings=readings, twice=readings - len(measured), **more)


async def kills(lab: Lab) -> None:
    """kill -9 of the listener during one long transfer."""
    store = "/run/k.db"
    holder = Program("holder", [sys.executable, "-u", "-m", "holder", store, "0.0", "2.0"])
    await holder.says("listening")
    await asyncio.sleep(4)
    cuff = await lab.cuff(Manner(interval_ms=250, lingers_s=4.0, patience_s=45.0, advertises_s=90.0))
    fill(cuff, 3)
    await cuff.wake()
    await asyncio.sleep(2)
    os.kill(holder.process.pid, signal.SIGUSR2)
    fill(cuff, 1)
    cuff.behave(advertises_s=30.0)
    speaking = asyncio.create_task(cuff.wake())
    while "killed 60" not in holder.said() and holder.process.poll() is None:
        fill(cuff, 1)
        await asyncio.sleep(0.15)
        if speaking.done():
            speaking = asyncio.create_task(cuff.wake())
    say(f"{len(cuff.measured)} records measured")
    os.kill(holder.process.pid, signal.SIGUSR1)
    await asyncio.wait({speaking}, timeout=60)
    await emptied(cuff, 3)
    await asyncio.sleep(5)
    await holder.end()
    words = holder.said().split("killed ")[-1].split()  # N times, M of them while it read
    found = Collected(store)
    await outcome("kills", [cuff], store, kills=int(words[0]), while_reading=int(words[2]), payloads=found.payloads.total(),
                  sightings=found.sightings, sources=dict(found.sources),
                  kept_open="witness" in holder.said())


async def chatty(lab: Lab) -> None:
    """A keyboard types away beside the cuff. What of it passes the filter, and what passes without one."""
    from collector.radio.bluez.channel import Channel, _bind, open_channel
    from collector.radio.bluez.sieve import Sieve

    filtered = open_channel(Sieve())
    bare = Channel(socket.socket(31, socket.SOCK_RAW, 1))
    _bind(bare.sock, 0xFFFF, 2)
    keyboard = Chatty(lab.air.link)
    await keyboard.power_on()
    await asyncio.sleep(1)
    connecting = await asyncio.create_subprocess_exec(
        "timeout", "60", "bluetoothctl", "--timeout", "20", "scan", "le", stdout=subprocess.DEVNULL)
    with contextlib.suppress(TimeoutError):
        await asyncio.wait_for(_connect(keyboard), 60)
    cuff = await lab.cuff()
    fill(cuff, 3)
    typing = asyncio.create_task(keyboard.type_away())
    passed = seen = frames = 0
    reading = True

    async def read() -> None:
        nonlocal passed, seen, frames
        while reading:
            while (frame := filtered.take()) is not None:
                frames += 1
                passed += Chatty.MARK in frame.packet
            while (frame := bare.take()) is not None:
                seen += Chatty.MARK in frame.packet
            await asyncio.sleep(0.05)

    reader = asyncio.create_task(read())
    await cuff.wake()
    await asyncio.sleep(2)
    typing.cancel()
    await keyboard.leave()
    await asyncio.sleep(0.5)
    reading = False
    await reader
    connecting.terminate()
    filtered.close()
    bare.close()
    await outcome("chatty", [cuff], typed=keyboard.typed, seen_without_filter=seen, passed_the_filter=passed,
                  frames_through_filter=frames)


async def _connect(keyboard: Chatty) -> None:
    while not keyboard.connected:
        process = await asyncio.create_subprocess_exec("bluetoothctl", "connect", keyboard.ADDRESS,
                                                       stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL)
        with contextlib.suppress(TimeoutError):
            await asyncio.wait_for(process.wait(), 10)
        if process.returncode is None:
            process.kill()
        await asyncio.sleep(1)


async def bluetoothd_killed(lab: Lab) -> None:
    """bluetoothd killed with -9 in the middle of a transfer, and started again: five times."""
    cuff = await lab.cuff()
    fill(cuff, 2)
    await cuff.wake()
    for _ in range(5):
        fill(cuff, 20)
        before = len(cuff.confirmed)
        speaking = asyncio.create_task(cuff.wake())
        while len(cuff.confirmed) < before + 5 and not speaking.done():
            await asyncio.sleep(0.02)
        await lab.bluetoothd.end(signal.SIGKILL)
        await asyncio.wait({speaking}, timeout=20)
        lab.bluetoothd = await start_bluetoothd()
        await asyncio.sleep(3)
        await emptied(cuff, 4)
    await outcome("bluetoothd killed", [cuff], times=5)


async def adapter_pulled(lab: Lab) -> None:
    """The adapter pulled out in the middle of a transfer, and put back: five times."""
    cuff = await lab.cuff()
    fill(cuff, 2)
    await cuff.wake()
    for _ in range(5):
        fill(cuff, 20)
        before = len(cuff.confirmed)
        speaking = asyncio.create_task(cuff.wake())
        while len(cuff.confirmed) < before + 5 and not speaking.done():
            await asyncio.sleep(0.02)
        await lab.air.pull_controller(0)
        await asyncio.sleep(1)
        await cuff.unplug()
        await asyncio.wait({speaking}, timeout=20)
        await lab.air.plug_controller(0)
        await cuff.plug_in(lab.air.link)
        await lab.see_adapter()
        await asyncio.sleep(4)
        await emptied(cuff, 4)
    await outcome("adapter pulled", [cuff], times=5)


async def dbus_started_again(lab: Lab) -> None:
    """D-Bus ends, and bluetoothd with it; both come back."""
    cuff = await lab.cuff()
    fill(cuff, 2)
    await cuff.wake()
    await end_dbus()
    await lab.bluetoothd.end()
    told = Collected(STORE).conditions
    await start_dbus()
    lab.bluetoothd = await start_bluetoothd()
    await asyncio.sleep(12)
    fill(cuff, 5)
    await emptied(cuff, 3)
    await outcome("D-Bus started again", [cuff], told=told, conditions=Collected(STORE).conditions)


async def no_service_named(lab: Lab) -> None:
    """A bonded cuff that no longer lists its service when it advertises."""
    cuff = await lab.cuff()
    fill(cuff, 2)
    await cuff.wake()
    cuff.behave(lists_service=False)
    for _ in range(3):
        fill(cuff, 5)
        await cuff.wake()
        await asyncio.sleep(1)
    await outcome("no service named", [cuff], visits=3)


async def private_address(lab: Lab) -> None:
    """A cuff with a private address that changes each time it wakes."""
    cuff = await lab.cuff(Manner(**{**_fields(MANNER), "private_address": True}))
    for count in (3, 5, 5):
        fill(cuff, count)
        await cuff.wake()
        await asyncio.sleep(2)
    await outcome("private address", [cuff], met=Collected(STORE).cuffs_since(cuff.address))


async def ten_waiting(lab: Lab) -> None:
    """Ten cuffs speak up at once, for the first time; and once more."""
    cuffs = [await lab.cuff() for _ in range(10)]
    for cuff in cuffs:
        fill(cuff, 3)
    await asyncio.gather(*(emptied(cuff, 3) for cuff in cuffs))
    say("all ten were there once")
    for cuff in cuffs:
        fill(cuff, 3)
    await asyncio.gather(*(emptied(cuff, 3) for cuff in cuffs))
    await outcome("ten waiting", cuffs)


async def two_seconds(lab: Lab) -> None:
    """A cuff that advertises for two seconds: new, then bonded."""
    cuff = await lab.cuff(Manner(**{**_fields(MANNER), "advertises_s": 2.0, "interval_ms": 100.0}))
    fill(cuff, 3)
    wakings = await emptied(cuff, 5)
    later = []
    for _ in range(5):
        fill(cuff, 3)
        later.append(await emptied(cuff, 5))
        await asyncio.sleep(1)
    await outcome("two seconds", [cuff], wakings=wakings, later_wakings=later)


async def cuff_forgot(lab: Lab) -> None:
    """The cuff loses its side of the bond, as after a change of batteries."""
    cuff = await lab.cuff()
    fill(cuff, 3)
    await cuff.wake()
    cuff.forget_bonds()
    fill(cuff, 5)
    wakings = await emptied(cuff, 5)
    said = [line for line in lab.listener.said().splitlines() if "forgotten its bond" in line]
    await outcome("cuff forgot", [cuff], wakings=wakings, told=len(said),
                  conditions=Collected(STORE).conditions)


async def we_forgot(lab: Lab) -> None:
    """Our side of the bond is lost, and the cuff advertises without its service."""
    cuff = await lab.cuff()
    fill(cuff, 3)
    await cuff.wake()
    await asyncio.sleep(1)
    path = "/org/bluez/hci0/dev_" + cuff.address.replace(":", "_")
    subprocess.run(["busctl", "call", "org.bluez", "/org/bluez/hci0", "org.bluez.Adapter1", "RemoveDevice", "o", path],
                   check=True)
    cuff.behave(lists_service=False)
    await asyncio.sleep(17)  # until the station looks round
    fill(cuff, 5)
    wakings = await emptied(cuff, 5)
    await outcome("we forgot", [cuff], wakings=wakings, missing=Collected(STORE).bond_missing(cuff.address))


async def deaf(lab: Lab) -> None:
    """Links so fast that bluetoothd is deaf on those it did not ask for."""
    cuff = await lab.cuff()
    fill(cuff, 3)
    await cuff.wake()
    lab.air.link.pace_s = 0.0
    try:
        for _ in range(3):
            fill(cuff, 5)
            await emptied(cuff, 4)
    finally:
        lab.air.link.pace_s = type(lab.air.link).pace_s
    said = lab.listener.said().count("is deaf")
    await outcome("deaf", [cuff], made_anew=said)


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


def _fields(manner: Manner) -> dict[str, object]:
    return {name: getattr(manner, name) for name in manner.__slots__}


FAULTS: dict[str, Callable[[Lab], Awaitable[None]]] = {
    "kills": kills, "chatty": chatty, "bluetoothd": bluetoothd_killed, "adapter": adapter_pulled,
    "dbus": dbus_started_again, "unnamed": no_service_named, "private": private_address, "ten": ten_waiting,
    "two-seconds": two_seconds, "cuff-forgot": cuff_forgot, "we-forgot": we_forgot, "deaf": deaf, "rfkill": blocked,
}


async def main() -> None:
    wanted = sys.argv[1:] or list(FAULTS)
    lab = Lab()
    say("starting")
    await lab.begin(listener=False)
    if "kills" in wanted:
        say("kills")
        await kills(lab)
    if set(wanted) - {"kills"}:
        await lab.begin_listener()
    for name in wanted:
        if name != "kills":
            say(name)
            try:
                await asyncio.wait_for(FAULTS[name](lab), 240)
            except Exception as error:
                step(name, failed=f"{type(error).__name__}: {error}")
    if set(wanted) - {"kills"}:
        seconds = await lab.listener.end()
        step("end", seconds=round(seconds, 1), status=lab.listener.process.returncode,
             tracebacks=lab.listener.said().count("Traceback"))
    say("done")


asyncio.run(main())

"""The guest with everything running, and what became of the records."""

import asyncio

from air import Air
from machine import Collected, Program, adapter_there, listen, start_bluetoothd, start_dbus
from report import say, step

from collector.radio.virtual.behaviour import Behaviour
from collector.radio.virtual.cuff import VirtualCuff

STORE = "/run/f.db"
MANNER = Behaviour(interval_ms=250, lingers_s=2.0, patience_s=45.0, advertises_s=90.0)
WAIT_S = 20.0


class Lab:
    """The guest with everything running; faults change parts of it and put them back.

    times: how often what can happen again and again does. crashes: how often bluetoothd crashed and was started again.
    """

    def __init__(self, times: int = 1, kills: int = 1) -> None:
        self.times, self.kills = times, kills
        self.air = Air()
        self.made = self.crashes = 0
        self.bluetoothd: Program
        self.listener: Program

    async def begin(self, listener: bool = True) -> None:
        await start_dbus()
        await self.air.plug_controller(0)
        self.bluetoothd = await start_bluetoothd()
        self._reviving = asyncio.create_task(self._revive_bluetoothd())
        await self.see_adapter()
        if listener:
            await self.begin_listener()

    async def _revive_bluetoothd(self) -> None:
        """Start it again where it crashes, as `listen` has systemd do it, which is not in this guest.

        5.66 may crash at any link that ends before the cuff has answered the first request.
        """
        while True:
            await asyncio.sleep(0.5)
            if self.bluetoothd.crashed:
                self.crashes += 1
                say(f"bluetoothd has crashed; started again. The end of its log:\n{self.bluetoothd.said()[-1500:]}")
                self.bluetoothd = await start_bluetoothd()

    async def see_adapter(self) -> None:
        crashes = self.crashes
        while not await adapter_there("hci0"):
            if self.crashes == crashes:
                say("the kernel gave up on the controller; plugged in again")
                await self.air.pull_controller(0)
                await self.air.plug_controller(0)
            crashes = self.crashes

    async def recover(self) -> None:
        """After a fault that was not as expected: say how things stand, and begin anew for those that come after it."""
        for program in (self.bluetoothd, self.listener):
            say(f"{program.name}: status {program.process.poll()}; the end of its log:\n{program.said()[-4000:]}")
        say(f"the adapter is {'' if await adapter_there('hci0') else 'not '}there")
        await self.listener.end()
        await self.bluetoothd.end()
        self.bluetoothd = await start_bluetoothd()
        await self.see_adapter()
        await self.begin_listener()

    async def begin_listener(self) -> None:
        self.listener = listen(STORE)
        await self.listener.says("listening")
        await asyncio.sleep(4)

    async def cuff(self, behaviour: Behaviour = MANNER) -> VirtualCuff:
        self.made += 1
        return await self.air.cuff(f"Cuff {self.made}", f"F0:F1:F2:F3:F4:{self.made:02X}", behaviour)


def fill(cuff: VirtualCuff, count: int) -> None:
    """Records that differ from each other and from all other cuffs'."""
    for _ in range(count):
        number = len(cuff.measured)
        cuff.measure(100 + number % 100, 60 + number // 100 % 30, 90, pulse=int(cuff.address[-2:], 16) * 4 % 200 + 40)


async def in_the_middle(cuff: VirtualCuff, records: int) -> asyncio.Task[None]:
    """Wake it and return once so many records are confirmed; it goes on speaking."""
    enough = len(cuff.confirmed) + records
    speaking = asyncio.create_task(cuff.wake())
    while len(cuff.confirmed) < enough and not speaking.done():  # noqa: ASYNC110
        await asyncio.sleep(0.02)
    return speaking


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
    step(
        name,
        measured=len(measured),
        confirmed=sum(len(set(cuff.confirmed)) for cuff in cuffs),
        kept=kept,
        lost=len(measured) - kept,
        readings=readings,
        twice=readings - len(measured),
        **more,
    )

"""The promise, step by step: a cuff that sends as soon as the bonded link is encrypted, and what reaches the store."""

import asyncio
import sys

from air import Air
from machine import Collected, Program, adapter_there, listen, start_bluetoothd, start_dbus
from report import say, step

from collector.radio.virtual.behaviour import Behaviour
from collector.radio.virtual.cuff import VirtualCuff

A, B, C = (
    "/run/a.db",
    "/run/b.db",
    "/run/c.db",
)  # write-ahead logging wants memory that can be shared, which the work folder has not
MANNER = Behaviour(interval_ms=250, lingers_s=3.0, patience_s=60.0, advertises_s=60.0)


async def visit(cuff: VirtualCuff, count: int, store: str) -> dict[str, object]:
    """Measure, speak, and wait until it is over; what became of it."""
    before = len(cuff.measured)
    for number in range(count):
        cuff.measure(120 + before + number, 80, 93, pulse=60 + number)
    await cuff.wake()
    measured = cuff.measured[before:]
    confirmed = [payload for payload in cuff.confirmed if payload in measured]
    for _ in range(50):
        found = Collected(store).of(measured)
        if found["kept"] == count:
            break
        await asyncio.sleep(0.1)
    return {"sent": count, "confirmed": len(confirmed), **found}


async def main() -> None:
    say("starting D-Bus, the controller and bluetoothd")
    await start_dbus()
    air = Air()
    await air.plug_controller(0)
    bluetoothd = await start_bluetoothd()
    while not await adapter_there("hci0"):
        say("the kernel gave up on the controller; plugged in again")
        await air.pull_controller(0)
        await air.plug_controller(0)
    listener = listen(A)
    await listener.says("listening")
    await asyncio.sleep(3)
    cuff = await air.cuff("Lab cuff", "F0:F1:F2:F3:F4:F5", MANNER)

    say("first visit")
    step("first visit", **await visit(cuff, 3, A))
    say("a later one")
    step("later visit", **await visit(cuff, 5, A))
    say("listen started again")
    seconds = await listener.end()
    step("clean end", seconds=round(seconds, 1), status=listener.process.returncode)
    listener = listen(A)
    await listener.says("listening")
    await asyncio.sleep(3)
    step("after listen started again", **await visit(cuff, 5, A))
    say("bluetoothd started again")
    await bluetoothd.end()
    await asyncio.sleep(1)
    bluetoothd = await start_bluetoothd()
    await listener.says("Bluetooth is back", 60)
    step("first connection after bluetoothd started again", **await visit(cuff, 5, A))
    await listener.end()
    found = Collected(A)
    step(
        "store",
        readings=found.readings,
        payloads=found.payloads.total(),
        sightings=found.sightings,
        sources=dict(found.sources),
        conditions=found.conditions,
    )

    say("the same without the right to read the monitor channel")
    cuff.forget_bonds()
    await without_right(air)
    say("the same with witness and standing subscription both off: this must lose records")
    cuff.forget_bonds()
    await unprotected(air)


async def without_right(air: Air) -> None:
    cuff = await air.cuff("Second cuff", "F0:F1:F2:F3:F4:F6", MANNER)
    listener = listen(B, drop_right=True, name="listen-without")
    await listener.says("listening")
    await asyncio.sleep(3)
    step("without the right: first visit", **await visit(cuff, 3, B))
    step("without the right: later visit", **await visit(cuff, 5, B))
    await listener.end()
    lines = [line for line in listener.said().splitlines() if "can be lost" in line]
    step("without the right: told", lines=lines, conditions=Collected(B).conditions)


async def unprotected(air: Air) -> None:
    """The proof that the lab can tell: what the obvious way of subscribing loses."""
    cuff = await air.cuff("Third cuff", "F0:F1:F2:F3:F4:F7", MANNER)
    listener = Program("listen-unprotected", [sys.executable, "-m", "unprotected", C])
    await listener.says("listening")
    await asyncio.sleep(3)
    step("unprotected: first visit", **await visit(cuff, 3, C))
    step("unprotected: later visit", **await visit(cuff, 5, C))
    await listener.end()


asyncio.run(main())

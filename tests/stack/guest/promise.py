"""The promise, step by step: a cuff that sends as soon as the bonded link is encrypted, and what reaches the store."""

import asyncio
import sys

from air import Air
from lab import Lab
from machine import Collected, Program, listen, start_bluetoothd
from one_visit import visit
from report import say, step

from collector.radio.virtual.behaviour import Behaviour

# write-ahead logging wants memory that can be shared, which the work folder has not
A, B, C = "/run/a.db", "/run/b.db", "/run/c.db"
MANNER = Behaviour(interval_ms=250, lingers_s=3.0, patience_s=60.0, advertises_s=60.0)


async def main() -> None:
    say("starting D-Bus, the controller and bluetoothd")
    lab = Lab()
    await lab.begin(listener=False)
    air = lab.air
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
    await lab.bluetoothd.end()
    await asyncio.sleep(1)
    lab.bluetoothd = await start_bluetoothd()
    await listener.says("Bluetooth is back", 60)
    step("first connection after bluetoothd started again", **await visit(cuff, 5, A))
    await listener.end()
    step("store", **Collected(A).in_all())

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
    await listener.says("visit ended")  # a busy machine notices late, and its subscription stands as long
    await asyncio.sleep(3)
    step("unprotected: later visit", **await visit(cuff, 5, C))
    await listener.end()


asyncio.run(main())

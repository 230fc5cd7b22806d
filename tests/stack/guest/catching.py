"""How soon a new cuff is through, who is caught in three seconds, and how much is scanned for that.

Arguments: how many cuffs; a tree whose `listen` is looked at instead of this one's, to compare.
"""

import asyncio
import os
import sys
import time
from dataclasses import replace

from lab import MANNER, Lab, fill
from one_visit import subscribed
from report import say, step

from collector.radio.virtual.cuff import VirtualCuff

IDLE_S = 20.0
SHORT = replace(MANNER, advertises_s=3.0, lingers_s=0.5)  # new, and later bonded


async def timed(cuff: VirtualCuff) -> dict[str, float | int]:
    """One visit with three records: seconds from its first advertisement to its subscription, to its last confirmation
    and to the end of the link."""
    fill(cuff, 3)
    began = time.monotonic()
    looking = asyncio.create_task(subscribed(cuff))
    speaking = asyncio.create_task(cuff.wake())
    confirmed_s = 0.0
    while not speaking.done():
        if not confirmed_s and len(cuff.confirmed) >= len(cuff.measured):
            confirmed_s = round(time.monotonic() - began, 2)
        await asyncio.sleep(0.02)
    looking.cancel()
    over_s = round(time.monotonic() - began, 2)
    soon = looking.result() if looking.done() and not looking.cancelled() else {}
    return {**soon, "confirmed_s": confirmed_s, "over_s": over_s}


async def caught(name: str, lab: Lab, cuffs: list[VirtualCuff]) -> None:
    """Each advertises for three seconds, once."""
    waits: list[float] = []
    for cuff in cuffs:
        fill(cuff, 1)
        began = time.monotonic()
        await cuff.wake()
        if len(cuff.confirmed) == len(cuff.measured):
            waits.append(round(time.monotonic() - began, 1))
        await asyncio.sleep(1)
    scanned = lab.air.scanned(0).duty()
    step(name, caught=len(waits), of=len(cuffs), visits_s=waits, scanned=scanned)


async def idle(name: str, lab: Lab) -> None:
    await asyncio.sleep(3)
    lab.air.scanned(0).duty()
    await asyncio.sleep(IDLE_S)
    step(name, scanned=lab.air.scanned(0).duty())


async def main() -> None:
    count, tree = int(sys.argv[1]), sys.argv[2] if len(sys.argv) > 2 else ""
    os.environ["PYTHONPATH"] = ":".join(path for path in (tree, os.environ["PYTHONPATH"]) if path)
    lab = Lab()
    await lab.begin()
    say("nobody is known")
    await idle("idle: nobody known", lab)
    say("three visits of two new cuffs")
    for number in (1, 2):
        cuff = await lab.cuff()
        visits = []
        for _ in range(3):
            visits.append(await timed(cuff))
            await asyncio.sleep(2)
        step(f"three visits of new cuff {number}", visits=visits)
    cuffs = [await lab.cuff(SHORT) for _ in range(count)]
    say("three seconds, new")
    await caught("three seconds: new", lab, cuffs)
    say("three seconds, bonded")
    bonded = [cuff for cuff in cuffs if cuff.confirmed]
    await caught("three seconds: bonded", lab, bonded)
    await idle("idle: all bonded", lab)
    await lab.listener.end()


asyncio.run(main())

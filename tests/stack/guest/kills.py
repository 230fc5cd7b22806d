"""kill -9 of the listener in the middle of transfers, its sockets kept by a stand-in for systemd."""

import asyncio
import os
import signal
import sys
from dataclasses import replace

from lab import Lab, emptied, fill, outcome
from machine import Collected, Program
from report import say

from collector.radio.virtual.behaviour import Behaviour


async def kills(lab: Lab) -> None:
    """kill -9 of the listener during one long transfer."""
    store = "/run/k.db"
    holder = Program("holder", [sys.executable, "-u", "-m", "holder", store, "0.0", "2.0"])
    await holder.says("listening")
    await asyncio.sleep(4)
    cuff = await lab.cuff(Behaviour(interval_ms=250, lingers_s=4.0, patience_s=45.0, advertises_s=90.0))
    fill(cuff, 3)
    await cuff.wake()
    await asyncio.sleep(2)
    os.kill(holder.process.pid, signal.SIGUSR2)
    fill(cuff, 1)
    cuff.behaviour = replace(cuff.behaviour, advertises_s=30.0)
    speaking = asyncio.create_task(cuff.wake())
    while f"killed {lab.kills}," not in holder.said() and holder.process.poll() is None:
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
    await outcome(
        "kills",
        [cuff],
        store,
        kills=int(words[0]),
        while_reading=int(words[2]),
        payloads=found.payloads.total(),
        sent=len(cuff.confirmed),
        sightings=found.sightings,
        sources=dict(found.sources),
        kept_open="witness" in holder.said(),
    )

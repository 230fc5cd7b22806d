"""One visit in the lab: how soon it was subscribed to, and what became of its records."""

import asyncio
import time

from machine import Collected
from paced import PacedLink

from collector.radio.virtual.cuff import VirtualCuff

SUBSCRIBES = "subscribe 2a35"


async def subscribed(cuff: VirtualCuff, timeout_s: float = 60) -> dict[str, float | int]:
    """Seconds from its first advertisement, which is now, to its subscription; requests on the link before that.

    minimum_s: what the link itself takes at its pace: an advertisement to be heard, and each request there and back.
    """
    began, before = time.monotonic(), list(cuff.steps).count(SUBSCRIBES)
    while list(cuff.steps).count(SUBSCRIBES) == before:
        if time.monotonic() > began + timeout_s:
            return {}
        await asyncio.sleep(0.01)
    steps = list(cuff.steps)
    end = len(steps) - 1 - steps[::-1].index(SUBSCRIBES)
    start = max(number for number, step in enumerate(steps[:end]) if step == "connect")
    took, requests = time.monotonic() - began, end - start - 1
    minimum = cuff.behaviour.interval_ms / 1000 + (requests + 1) * 2 * PacedLink.pace_s
    return {
        "subscribed_s": round(took, 2),
        "requests_before": requests,
        "minimum_s": round(minimum, 2),
        "times_minimum": round(took / minimum, 1),
    }


async def visit(cuff: VirtualCuff, count: int, store: str) -> dict[str, object]:
    """Measure, speak, and wait until it is over."""
    before = len(cuff.measured)
    for number in range(count):
        cuff.measure(120 + before + number, 80, 93, pulse=60 + number)
    looking = asyncio.create_task(subscribed(cuff))
    wakings = 0
    while wakings < 3 and not (wakings and set(cuff.measured) <= set(cuff.confirmed)):
        await cuff.wake()  # again where bluetoothd was deaf on the link: what was not confirmed, a cuff keeps
        wakings += 1
    measured = cuff.measured[before:]
    confirmed = [payload for payload in cuff.confirmed if payload in measured]
    found = Collected(store).of(measured)
    for _ in range(50):
        if found["kept"] == count:
            break
        await asyncio.sleep(0.1)
        found = Collected(store).of(measured)
    looking.cancel()
    speed = looking.result() if looking.done() and not looking.cancelled() else {}
    return {"sent": count, "confirmed": len(confirmed), "wakings": wakings, **found, **speed}

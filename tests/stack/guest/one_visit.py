"""One visit in the lab, and what became of its records."""

import asyncio

from machine import Collected

from collector.radio.virtual.cuff import VirtualCuff


async def visit(cuff: VirtualCuff, count: int, store: str) -> dict[str, object]:
    """Measure, speak, and wait until it is over."""
    before = len(cuff.measured)
    for number in range(count):
        cuff.measure(120 + before + number, 80, 93, pulse=60 + number)
    await cuff.wake()
    measured = cuff.measured[before:]
    confirmed = [payload for payload in cuff.confirmed if payload in measured]
    found = Collected(store).of(measured)
    for _ in range(50):
        if found["kept"] == count:
            break
        await asyncio.sleep(0.1)
        found = Collected(store).of(measured)
    return {"sent": count, "confirmed": len(confirmed), **found}

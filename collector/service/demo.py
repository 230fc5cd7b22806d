"""The demo: an invented household with two virtual cuffs, collected by the daemon's own code over a virtual link."""

import asyncio
from collections.abc import Callable, Coroutine
from dataclasses import dataclass
from datetime import UTC, date, datetime, time, timedelta
from pathlib import Path
from typing import Any

from collector import intake
from collector.radio.virtual import Behaviour, VirtualCuff, VirtualRadio
from collector.service.config import Config
from collector.service.listen.assemble import listen
from collector.store import journal, people
from collector.store.journal import cuffs
from collector.store.opening import open_store
from collector.store.people import slot_spans

HALLWAY, KITCHEN = "F0:F1:F2:00:00:01", "F0:F1:F2:00:00:02"
PERSON = "mira"
"""Invented, as everything here."""
MOVED, IRREGULAR = 0x0001, 0x0004
FEATURES = 0x0007  # notices movement, a loose cuff, an irregular pulse
PRACTICE = VirtualCuff("Practice cuff").address
CUFFS = frozenset({HALLWAY, KITCHEN, PRACTICE})
"""A store that holds no other is a demo's."""
CAME_AGAIN = 3
NEVER_SLOW_S = 180.0  # an emulated processor needed more than half a minute

# Invented, two in the morning and two in the evening of each of the seven days before today:
# systolic, diastolic, pulse, status word.
WEEK = (
    ((142, 88, 71, 0), (138, 86, 70, 0), (136, 84, 74, 0), (134, 82, 73, 0)),
    ((141, 87, 70, 0), (139, 86, 71, 0), (137, 85, 72, 0), (135, 83, 73, 0)),
    ((140, 87, 69, 0), (137, 85, 68, IRREGULAR), (133, 83, 72, 0), (134, 82, 71, 0)),
    ((139, 86, 70, MOVED), (136, 85, 69, 0), (135, 84, 73, 0), (132, 82, 72, 0)),
    ((138, 84, 71, 0), (135, 83, 70, 0), (134, 83, 74, 0), (131, 81, 73, 0)),
    ((137, 85, 70, 0), (136, 84, 69, 0), (133, 82, 72, 0), (132, 82, 73, 0)),
    ((138, 85, 71, 0), (134, 83, 70, 0), (132, 81, 73, 0), (130, 80, 72, 0)),
)
TIMES = (time(7, 12), time(7, 14), time(20, 41), time(20, 43))
STORED = tuple(
    (len(WEEK) - number, at, values) for number, day in enumerate(WEEK) for at, values in zip(TIMES, day, strict=True)
)
LIVE = ((1, 128, 79, 64), (0, 124, 77, 63))  # minutes ago, …


@dataclass(frozen=True, slots=True)
class Collected:
    """What the store holds afterwards."""

    sent: int  # payloads that the cuffs say were confirmed to them
    payloads: int
    repeats: int
    readings: int


class ForgetfulCuff(VirtualCuff):
    """Sends its newest records once more at every waking, as some cuffs do that never delete."""

    def remember_again(self, count: int) -> None:
        for payload in self.measured[-count:]:
            self.store(payload)


async def run(path: Path, config: Config, say: Callable[[str], None]) -> Collected:
    """Collect from the invented household into a new store at `path`; what happens is said as it happens."""
    today = date.today()
    hallway = ForgetfulCuff("Hallway cuff", HALLWAY, Behaviour(features=FEATURES))
    kitchen = VirtualCuff("Kitchen cuff", KITCHEN, Behaviour(features=FEATURES), clock_ahead=timedelta(minutes=7))
    radio = VirtualRadio([hallway, kitchen])
    stop = asyncio.Event()
    listening = asyncio.create_task(listen(path, config, radio, stop=stop))
    try:
        async with asyncio.timeout(NEVER_SLOW_S):
            await _first_of(radio.listening.wait(), listening)
            for back, clock, (systolic, diastolic, pulse, status) in STORED:
                at = datetime.combine(today - timedelta(days=back), clock)
                hallway.measure(
                    systolic,
                    diastolic,
                    diastolic + (systolic - diastolic) // 3,
                    pulse=pulse,
                    at=at,
                    user_id=1,
                    status=status,
                )
            say(f"Hallway cuff: {len(STORED)} stored records, sent at its first visit …")
            await _first_of(hallway.wake(), listening)
            say(f"Hallway cuff: a second visit, {CAME_AGAIN} of the records come again …")
            hallway.remember_again(CAME_AGAIN)
            await _first_of(hallway.wake(), listening)
            say(f"Kitchen cuff: {len(LIVE)} measurements sent live; its clock is seven minutes fast …")
            for minutes_ago, systolic, diastolic, pulse in LIVE:
                at = kitchen.clock() - timedelta(minutes=minutes_ago)
                kitchen.measure(systolic, diastolic, pulse=pulse, at=at, user_id=1, status=0)
                await _first_of(kitchen.wake(), listening)
    finally:
        stop.set()
        await listening
    with open_store(path, create=False) as store:
        now = datetime.now(UTC)
        cuffs.name(store, HALLWAY, "hallway", now)
        cuffs.name(store, KITCHEN, "kitchen", now)
        counts = journal.counts(store)
    name_people(path)
    sent = len(hallway.confirmed) + len(kitchen.confirmed)
    return Collected(sent, counts.payloads, counts.repeats, counts.readings)


def name_people(path: Path) -> None:
    """Average and page are a person's: what both cuffs have in slot 1 is PERSON's."""
    now = datetime.now(UTC)
    with open_store(path, create=False) as store, store.transaction():
        people.add(store, PERSON, now)
        for cuff in (HALLWAY, KITCHEN):
            slot_spans.add(store, PERSON, cuff, 1, now)
            intake.reassign(store, cuff=cuff)


async def _first_of(wanted: Coroutine[Any, Any, Any], listening: "asyncio.Task[None]") -> None:
    """Wait for `wanted`, but not past the listener's end: if that fails, its error is the news."""
    task = asyncio.ensure_future(wanted)
    await asyncio.wait({task, listening}, return_when=asyncio.FIRST_COMPLETED)
    if not task.done():
        task.cancel()
        await listening
        raise RuntimeError("the listener ended before the demo did")
    await task

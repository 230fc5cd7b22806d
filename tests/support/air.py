"""A room with virtual cuffs and a collector's radio in it, and a sink that only notes what it is handed."""

import asyncio
from collections.abc import AsyncIterator, Awaitable, Callable
from contextlib import asynccontextmanager
from dataclasses import replace
from datetime import datetime, timedelta
from pathlib import Path

from collector.radio.errors import NotTaken
from collector.radio.facts import (
    Bond,
    Characteristics,
    Fact,
    Handles,
    KnownCuff,
    Learned,
    ReceivedPayload,
    RecordsFetched,
    Unlearned,
    ValueRead,
    VisitOutcome,
)
from collector.radio.plan import VisitPlan
from collector.radio.port import Sink
from collector.radio.virtual import VirtualCuff, VirtualRadio
from parsers.uuids import UNPLACED


class NoteSink:
    """Keeps everything in memory. refuse: says of an arrival why it cannot be stored, or None."""

    def __init__(self, refuse: Callable[[ReceivedPayload], str | None] | None = None) -> None:
        self.refuse = refuse
        self.accept = lambda cuff: True
        self.pairs_anew = True
        self.names: frozenset[str] = frozenset()
        self.arrivals: list[ReceivedPayload] = []
        self.unplaced: list[ReceivedPayload] = []  # from handles that no discovery has told of
        self.visit_of: list[int | None] = []
        self.facts: list[tuple[int, Fact]] = []
        self.cuffs: dict[int, str] = {}
        self.outcomes: dict[int, str] = {}
        self.told: dict[str, str | None] = {}
        self._known: dict[str, KnownCuff] = {}

    @property
    def payloads(self) -> list[bytes]:
        return [arrival.value for arrival in self.arrivals]

    def known(self) -> tuple[KnownCuff, ...]:
        return tuple(self._known.values())

    def remember(self, cuff: KnownCuff) -> None:
        """As if an earlier visit had learned it."""
        self._known[cuff.address] = cuff

    def awaited(self) -> frozenset[str]:
        return self.names

    def accepts(self, cuff: str) -> bool:
        return self.accept(cuff)

    def may_pair_anew(self, cuff: str) -> bool:
        return self.pairs_anew

    def open_visit(self, cuff: str, source: str, at: datetime, first: ReceivedPayload | None = None) -> int:
        number = len(self.cuffs) + 1
        if first is not None:
            self.take(first, number)
        self.cuffs[number] = cuff
        self._known.setdefault(cuff, KnownCuff(cuff, False))
        return number

    def learn(self, visit: int, fact: Fact) -> None:
        assert visit not in self.outcomes, "a fact after the end of its visit"
        self.facts.append((visit, fact))
        cuff = self._known[self.cuffs[visit]]
        if isinstance(fact, Bond):
            cuff = replace(cuff, bonded=fact.bonded)
        if isinstance(fact, Handles):
            cuff = replace(cuff, handles=fact.handles)
            for arrival in self.unplaced:
                if (characteristic := fact.handles.get(arrival.handle)) is not None and arrival.cuff == cuff.address:
                    self.arrivals.append(replace(arrival, characteristic=characteristic))
                    self.visit_of.append(visit)
            self.unplaced = [arrival for arrival in self.unplaced if arrival.cuff != cuff.address]
        if isinstance(fact, Characteristics):
            cuff = replace(cuff, found=fact.found)
        if isinstance(fact, ValueRead) and fact.characteristic == 0x2A49:
            cuff = replace(cuff, described_at=fact.at)
        if isinstance(fact, ValueRead) and fact.characteristic == 0x2B2A:
            cuff = replace(cuff, database_hash=fact.value)
        if isinstance(fact, RecordsFetched):
            came = [one for one, of in zip(self.arrivals, self.visit_of, strict=True) if of == visit]
            firsts = [one.value for one in came if one.value[0] & 1 and one.arrived_at >= fact.since and fact.whole]
            if firsts:
                newest = max(firsts, key=lambda value: int.from_bytes(value[1:3], "little"))
                cuff = replace(cuff, newest_records={**cuff.newest_records, fact.user: newest})
        if isinstance(fact, Learned):
            again = Learned(fact.manner, fact.detail) in {replace(one, sure=True) for one in cuff.manners}
            others = {one for one in cuff.manners if (one.manner, one.detail) != (fact.manner, fact.detail)}
            cuff = replace(cuff, manners=frozenset({*others, replace(fact, sure=fact.sure or again)}))
        if isinstance(fact, Unlearned):
            kept = {one for one in cuff.manners if (one.manner, one.detail) != (fact.manner, fact.detail)}
            cuff = replace(cuff, manners=frozenset(kept))
        self._known[cuff.address] = cuff

    def take(self, arrival: ReceivedPayload, visit: int | None) -> None:
        trouble = self.refuse(arrival) if self.refuse else None
        if trouble:
            raise NotTaken(trouble)
        if arrival.characteristic == UNPLACED:
            self.unplaced.append(arrival)
            return
        self.arrivals.append(arrival)
        self.visit_of.append(visit)

    def came(self, visit: int, value: bytes, since: datetime) -> bool:
        arrivals = zip(self.arrivals, self.visit_of, strict=True)
        return any((one.value, of) == (value, visit) and one.arrived_at >= since for one, of in arrivals)

    def close_visit(self, visit: int, at: datetime, outcome: VisitOutcome) -> None:
        assert visit not in self.outcomes, "closed twice"
        self.outcomes[visit] = str(outcome)
        cuff = self._known[self.cuffs[visit]]
        delivered = any(received.cuff == cuff.address for received in self.arrivals)
        self._known[cuff.address] = replace(cuff, undelivered=0 if delivered else cuff.undelivered + 1)

    def tell(self, topic: str, text: str | None) -> None:
        self.told[topic] = text

    def facts_of(self, kind: type) -> list:
        return [fact for _, fact in self.facts if isinstance(fact, kind)]


class Reader:
    """Somebody who reads the cuff's display: what `typed` answers, and yes where it shows the number asked for."""

    def __init__(self, typed: Callable[[], Awaitable[int | None]], there: bool = True) -> None:
        self.typed, self.there = typed, there

    def anywhere(self) -> bool:
        return self.there

    def present(self, cuff: str) -> bool:
        return self.there

    async def passkey(self, cuff: str) -> int | None:
        return await self.typed()

    async def same_number(self, cuff: str, number: int) -> bool:
        return True


class Room:
    """The radio, running, and what belongs to it."""

    def __init__(self, radio: VirtualRadio, sink: Sink) -> None:
        self.radio, self.sink = radio, sink

    async def quiet(self) -> None:
        """Until no visit is in progress."""
        while self.radio.visiting:  # noqa: ASYNC110 (nothing to hold on to: visits come and go)
            await asyncio.sleep(0.001)

    async def wake(self, *cuffs: VirtualCuff, times: int = 1) -> None:
        """Wake cuffs together, and see their visits to the end."""
        for _ in range(times):
            await asyncio.gather(*(cuff.wake() for cuff in cuffs or self.radio.cuffs))
            await self.quiet()


@asynccontextmanager
async def room(
    *cuffs: VirtualCuff,
    sink: Sink | None = None,
    plan: VisitPlan | None = None,
    keys: Path | None = None,
    **settings: object,
) -> AsyncIterator[Room]:
    """A virtual radio listening to cuffs, until the block ends."""
    radio = VirtualRadio(cuffs, keys, **settings)
    sink = sink or NoteSink()
    stop = asyncio.Event()
    running = asyncio.ensure_future(radio.run(sink, plan or VisitPlan(), stop))
    listening = asyncio.ensure_future(radio.listening.wait())
    await asyncio.wait({running, listening}, return_when=asyncio.FIRST_COMPLETED)
    listening.cancel()
    try:
        if running.done():
            running.result()
        yield Room(radio, sink)
    finally:
        stop.set()
        await running


def fill(cuff: VirtualCuff, count: int, systolic: int = 120) -> list[bytes]:
    """Let a cuff measure a few times, a minute apart, each differently."""
    start = len(cuff.measured)
    begin = datetime(2026, 3, 1)
    return [
        cuff.measure(systolic + n % 60, 80, pulse=60 + n % 40, at=begin + timedelta(minutes=n))
        for n in range(start, start + count)
    ]


async def always_ready(cuff: VirtualCuff) -> None:
    """A cuff that speaks up as long as it has something to tell."""
    while True:
        if cuff.memory.records:
            await cuff.wake()
        else:
            await asyncio.sleep(0.005)

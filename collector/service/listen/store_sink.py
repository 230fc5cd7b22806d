"""The sink over the store: whatever a radio hands over is on disk first, and read afterwards.

Reading waits until no other record has come for a moment, and goes on one by one, as does what else a visit learns: no
record is on disk later because of what came before it. Over BlueZ the cuff has forgotten it by then, so every
millisecond counts.
"""

import asyncio
import logging
from collections import Counter, deque
from collections.abc import Callable, Iterator
from contextlib import contextmanager, suppress
from dataclasses import dataclass, field
from datetime import UTC, datetime
from functools import partial

from collector import intake
from collector.radio.errors import NotTaken
from collector.radio.facts import (
    Bond,
    Characteristics,
    ClockSet,
    Fact,
    Handles,
    KnownCuff,
    Learned,
    Named,
    PassingAddress,
    ReceivedPayload,
    RecordsFetched,
    Unlearned,
    ValueRead,
    VisitOutcome,
)
from collector.service.config.settings import Accept
from collector.service.listen.known_cuffs import known_cuffs, place_of
from collector.store import conditions, journal
from collector.store.database import Store
from collector.store.errors import StoreError
from collector.store.journal import cuffs, manners, same_cuff, visits
from collector.store.readings import renewed_bonds
from parsers.text import printable

log = logging.getLogger("quietcuff.service")

QUIET_S = 0.25  # a cuff sends its next record within that
MOST_UNREAD = 100  # of one that never pauses

_WORDS = {
    "reading": "new",
    "segment": "in parts",
    "pressure": "cuff pressure",
    "undecodable": "undecodable",
    "other": "of no measurement",
}
_REPEATED = _WORDS | {"reading": "repeated"}


@dataclass(slots=True)
class VisitCount:
    """What one visit brought, for its line in the log."""

    name: str = "a cuff"
    outcomes: Counter[str] = field(default_factory=Counter)


class StoreSink:
    """Implements `collector.radio.port.Sink`.

    heard: called with the reading's id after each payload that made a new reading, e.g. for notices.
    before_dating: called before anything is stored that this machine's clock dated.
    """

    def __init__(
        self,
        store: Store,
        accept: Accept = Accept.ANY,
        heard: Callable[[str], None] | None = None,
        before_dating: Callable[[], None] = lambda: None,
    ) -> None:
        self.store, self.accept, self.heard, self._before_dating = store, accept, heard, before_dating
        self._counts: dict[int, VisitCount] = {}
        self._told: dict[str, str | None] = {}
        self._known: tuple[KnownCuff, ...] = ()
        self._known_at: tuple[int, int] | None = None  # version of the store
        self._unread: deque[Callable[[], None]] = deque()  # payloads and facts, each to be worked in by a call
        self._facts = 0  # of these
        self._reading: asyncio.Handle | None = None  # what is unread, once nothing else came
        self._behind = False  # a payload is kept but was not understood

    def known(self) -> tuple[KnownCuff, ...]:
        while self._facts:
            self._read_next()
        version = self.store.version()
        if version != self._known_at:
            self._known = tuple(known_cuffs(self.store))
            self._known_at = version
        return self._known

    def awaited(self) -> frozenset[str]:
        return cuffs.awaited(self.store, datetime.now(UTC))

    def accepts(self, cuff: str) -> bool:
        """Under `accept = known`, a new cuff is welcome only while `cuff add` holds the door open."""
        if self.accept is Accept.ANY or cuffs.is_known(self.store, cuff):
            return True
        return self._door_is_open()

    def may_pair_anew(self, cuff: str) -> bool:
        """Under `accept = known`, only while `cuff add` holds the door open."""
        return self.accept is Accept.ANY or self._door_is_open()

    def _door_is_open(self) -> bool:
        return cuffs.window(self.store, datetime.now(UTC)) is not None

    def open_visit(self, cuff: str, source: str, at: datetime, first: ReceivedPayload | None = None) -> int:
        if first is None:
            self._before_dating()
            visit = visits.open_visit(self.store, cuff, source, at)
        else:
            with self._kept_or_not_taken(first):
                self._before_dating()
                with self.store.transaction():
                    visit = visits.open_visit(self.store, cuff, source, at)
                    appended = self._append(first, visit)
            self._read_later(appended, cuff, visit)
        self._counts[visit] = VisitCount(self._name(cuff))
        log.info("%s: visit began", self._counts[visit].name)
        return visit

    def learn(self, visit: int, fact: Fact) -> None:
        """In its turn, after what came before it; at once where no event loop runs."""
        self._facts += 1
        self._unread.append(partial(self._learn_in_turn, visit, fact))
        self._read_soon(0.0)

    def _learn_in_turn(self, visit: int, fact: Fact) -> None:
        self._facts -= 1
        try:
            self._learn(visit, fact)
        except Exception as error:  # a description that cannot be stored must not cost a record
            name = type(fact).__name__
            log.error("visit %d: %s is not stored: %s: %s", visit, name, type(error).__name__, error)

    def _learn(self, visit: int, fact: Fact) -> None:
        self._before_dating()
        store, now = self.store, datetime.now(UTC)
        match fact:
            case ValueRead():
                visits.learn_value(store, visit, fact.characteristic, fact.value, fact.at, fact.round_trip_s)
            case ClockSet():
                visits.learn_clock_set(store, visit, fact.characteristic, fact.value, fact.at, fact.error)
            case Handles():
                visits.learn_handles(store, visit, fact.handles, now)
                self._take_up_discovery(visit)
            case Characteristics():
                manners.learn_places(store, visit, [place_of(found) for found in fact.found])
            case Learned():
                manners.learn(store, visit, fact.manner, fact.detail, fact.sure, now)
            case Unlearned():
                manners.unlearn(store, visit, fact.manner, fact.detail)
            case Bond():
                held = self.accept is Accept.KNOWN
                visits.learn_bond(store, visit, fact.bonded, fact.missing_on, now, renewed=fact.renewed, held=held)
                renewed_bonds.mark_of_visit(store, visit)
            case PassingAddress():
                same_cuff.note_passing(store, visit)
            case RecordsFetched():
                visits.learn_fetched(store, visit, fact.user, fact.since, fact.first, whole=fact.whole)
            case Named():
                visits.learn_name(store, visit, fact.name, now)

    def take(self, arrival: ReceivedPayload, visit: int | None) -> None:
        """On disk when this returns; what it means is worked out afterwards, at the next start if that fails."""
        with self._kept_or_not_taken(arrival):
            self._before_dating()
            appended = self._append(arrival, visit)
        self._read_later(appended, arrival.cuff, visit)

    def _append(self, arrival: ReceivedPayload, visit: int | None) -> journal.Appended:
        return journal.append(
            self.store,
            cuff=arrival.cuff,
            characteristic=arrival.characteristic,
            value=arrival.value,
            arrived_at=arrival.arrived_at,
            source=arrival.source,
            visit=visit,
            encrypted=arrival.encrypted,
            mark=arrival.mark,
            handle=arrival.handle,
        )

    @contextmanager
    def _kept_or_not_taken(self, arrival: ReceivedPayload) -> Iterator[None]:
        try:
            yield
        except StoreError as error:
            log.error("%s: a record was not stored: %s", self._name(arrival.cuff), error)
            raise NotTaken(str(error)) from error

    def _read_later(self, appended: journal.Appended, cuff: str, visit: int | None) -> None:
        if not appended.new:
            return
        self._unread.append(partial(self._interpret, appended.payload, cuff, visit))
        self._read_soon(QUIET_S)

    def _read_soon(self, wait_s: float) -> None:
        if self._reading is not None:
            self._reading.cancel()
        try:
            loop = asyncio.get_running_loop()
        except RuntimeError:  # no loop runs
            self.read_all()
            return
        if len(self._unread) > MOST_UNREAD:
            loop.call_soon(self._read_next)
        waits = wait_s and not self._facts  # a fact brings on whatever came before it
        self._reading = loop.call_later(wait_s, self._read_in_turns) if waits else loop.call_soon(self._read_in_turns)

    def _read_in_turns(self) -> None:
        """One, then whatever else the event loop has to do, such as taking the next."""
        self._read_next()
        self._reading = asyncio.get_running_loop().call_soon(self._read_in_turns) if self._unread else None

    def _take_up_discovery(self, visit: int) -> None:
        """What came from places that had no name until now; at the next start if that fails."""
        for reading_id in intake.take_up_discovery(self.store, visit):
            if self.heard:
                self.heard(reading_id)

    def read_all(self) -> None:
        """Work in what was taken and learned so far; called before anything that builds on it."""
        while self._unread:
            self._read_next()

    def _read_next(self) -> None:
        if self._unread:
            self._unread.popleft()()

    def _interpret(self, payload: int, cuff: str, visit: int | None) -> None:
        try:
            outcome = intake.interpret(self.store, payload)
        except Exception as error:
            self._behind = True
            log.error("payload %d is kept but was not understood yet: %s: %s", payload, type(error).__name__, error)
            return
        count = self._counts.setdefault(visit, VisitCount()) if visit is not None else VisitCount()
        word = _WORDS[outcome.kind] if outcome.fresh else _REPEATED[outcome.kind]
        count.outcomes[word] += 1
        if visit is None:
            log.info("%s: %s, outside any visit", self._name(cuff), word)
        if outcome.fresh and outcome.reading_id and self.heard:
            self.heard(outcome.reading_id)

    def came(self, visit: int, value: bytes, since: datetime) -> bool:
        return journal.came(self.store, visit, value, since)

    def catch_up(self) -> int:
        """Whatever an earlier run or a full disk left unread: how many. A value in the store that is none stops nobody
        from measuring: what comes is kept, and read later."""
        try:
            read = intake.catch_up(self.store)
        except Exception as error:
            self._behind = True
            log.error("what came before is kept but was not understood yet: %s: %s", type(error).__name__, error)
            return 0
        self._behind = False
        return read

    def close_visit(self, visit: int, at: datetime, outcome: VisitOutcome) -> None:
        self.read_all()
        visits.close_visit(self.store, visit, at, str(outcome))
        count = self._counts.pop(visit, VisitCount())
        counted = ", ".join(f"{count} {word}" for word, count in sorted(count.outcomes.items())) or "nothing"
        log.info("%s: visit ended (%s), payloads: %s", count.name, printable(str(outcome)), counted)
        try:
            if self._behind:  # say, the disk was full for a while
                self.catch_up()
            if intake.settle(self.store, visit):
                log.info("%s: known from an earlier visit under another address", count.name)
        except Exception as error:
            log.error("what the visit told is kept but not worked in yet: %s: %s", type(error).__name__, error)

    def tell(self, topic: str, text: str | None) -> None:
        if self._told.get(topic, "") == text:
            return
        self._told[topic] = text
        conditions.tell(self.store, topic, text, datetime.now(UTC))
        if text is not None:
            log.warning("%s: %s", topic, text)

    def _name(self, address: str) -> str:
        """The name its owner gave it, else its address: no reading and no person in the log."""
        with suppress(StoreError):  # a store in trouble must not cost the log its line
            return printable(cuffs.given_name(self.store, address) or address)
        return address

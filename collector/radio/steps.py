"""The steps of a visit: each has its limit, is noted where it fails, and teaches how the cuff wants to be visited."""

import logging
import time
from collections.abc import Awaitable, Callable, Iterator
from contextlib import contextmanager
from datetime import UTC, datetime, timedelta
from typing import TypeVar

from collector.radio.errors import LinkLost, RefusedByCuff
from collector.radio.facts import Ending, Fact, Found, KnownCuff, Learned, Manner, Unlearned, ValueRead
from collector.radio.plan import VisitPlan
from collector.radio.port import Link, Sink
from collector.radio.time_limit import within
from parsers.uuids import Uuid

log = logging.getLogger("quietcuff.visit")
T = TypeVar("T")

SLOW_TIMEOUT_S = 30.0  # ATT's own limit (Core Vol 3 Part F 3.3.3)
FIRST_QUIET_S = 0.2  # no record for so long: time to ask for what only describes
SLOW_S = 1.0  # an answer that takes so long makes a cuff a slow one (our choice)
NEEDED = ("securing", "discovery", "subscribing")  # steps without which no record comes; all others can be left out
SETTING, CONSENT = "setting the clock", "user consent"
COUNTING, STORED = "asking how many records it keeps", "asking for stored records"
BRINGS_RECORDS = (SETTING, CONSENT, STORED)  # may bring records, and are left out only once they have failed twice


def named(short: int) -> str:
    """'serial number' for 0x2A25."""
    return Uuid(short).name.lower().replace("_", " ") if short in set(Uuid) else f"{short:#06x}"


class Steps:
    """What a visit knows and does one step at a time.

    found: what discovery found. silent: a request is not answered, and until it is ATT allows no other (Core Vol 3
    Part F 3.3.3). trouble: why no record could come, if so. doing: the step that is under way.
    """

    def __init__(self, link: Link, sink: Sink, plan: VisitPlan, number: int) -> None:
        self.link, self.sink, self.plan, self.number = link, sink, plan, number
        self.started = time.monotonic()
        self.known = self._known()
        self.manners = {one.manner for one in self.known.manners if one.sure}
        self.left_out = {one.detail for one in self.known.manners if one.sure and one.detail}
        self.found: tuple[Found, ...] = ()
        self.silent = False
        self.trouble: str | None = None
        self.doing = ""
        self._heard_before = 0

    def _known(self) -> KnownCuff:
        try:
            return next(cuff for cuff in self.sink.known() if cuff.address == self.link.cuff)
        except Exception:
            return KnownCuff(self.link.cuff, bonded=False)

    def limit_s(self, requests: int = 1) -> float:
        """What so many requests may take."""
        return requests * (SLOW_TIMEOUT_S if Manner.SLOW in self.manners else self.plan.step_timeout_s)

    @contextmanager
    def at(self, what: str) -> Iterator[None]:
        """A step is under way: where the link ends in it, that says something of the cuff."""
        self.doing, self._heard_before = what, self.link.heard
        try:
            yield
        except LinkLost:
            log.info("%s: left during %s", self.link.cuff, what)
            raise
        except BaseException:
            self.doing = ""
            raise
        self.doing = ""
        for suspected in self.known.manners:
            if suspected.detail == what and not suspected.sure:
                self.learn(Unlearned(suspected.manner, what))

    async def step(
        self, what: str, ask: Callable[[], Awaitable[T]], timeout_s: float | None = None, requests: int = 1
    ) -> T | None:
        """Do one step, of so many requests at most; None when it failed in a way the visit survives, or is left out."""
        if what in self.left_out:
            return None
        began = time.monotonic()
        try:
            with self.at(what):
                result = await within(max(timeout_s or 0.0, self.limit_s(requests)), ask())
        except TimeoutError:
            self.silent = True
            self.note(what, "no answer")
            if not what.startswith(NEEDED):
                self.learn(Learned(Manner.NO_ANSWER, what, sure=what not in BRINGS_RECORDS))
            return None
        except RefusedByCuff as error:
            self.note(what, str(error))
            return None
        if timeout_s is None and time.monotonic() - began > requests * SLOW_S and Manner.SLOW not in self.manners:
            self.manners.add(Manner.SLOW)
            self.learn(Learned(Manner.SLOW))
        return result

    def note(self, what: str, text: str) -> None:
        log.info("%s: %s: %s", self.link.cuff, what, text)
        if what.startswith(("discovery", "subscribing")):
            self.trouble = f"{what}: {text}"

    def learn(self, fact: Fact) -> None:
        try:
            self.sink.learn(self.number, fact)
        except Exception as error:  # a description that cannot be stored must not cost a record
            log.error("%s: could not store %s: %s", self.link.cuff, type(fact).__name__, error)

    def find(self, *shorts: int, property_: str) -> Found | None:
        """The first characteristic of these, in this order, that declares the property."""
        for short in shorts:
            for found in self.found:
                if found.short == short and property_ in found.properties:
                    return found
        return None

    async def read(self, *shorts: int) -> ValueRead | None:
        """Read and learn the first of these that is there, with the instant it held and the round trip."""
        found = self.find(*shorts, property_="read")
        if found is None or found.short is None or self.silent:
            return None
        asked, began = datetime.now(UTC), time.monotonic()
        place = found
        value = await self.step(f"reading {named(found.short)}", lambda: self.link.read(place))
        if value is None:
            return None
        trip = time.monotonic() - began
        fact = ValueRead(found.short, value, asked + timedelta(seconds=trip / 2), trip)
        self.learn(fact)
        return fact

    def at_limit(self) -> bool:
        """Whether this visit has lasted, or brought, all that one may."""
        over = time.monotonic() - self.started >= self.plan.longest_s
        return over or self.link.heard >= self.plan.most_records

    @property
    def complete(self) -> bool:
        """Whether everything was discovered, and not the Blood Pressure Service alone."""
        return any(
            found.service not in (Uuid.BLOOD_PRESSURE_SERVICE, Uuid.CURRENT_TIME_SERVICE, Uuid.USER_DATA_SERVICE)
            for found in self.found
        )

    async def discover_service(self, service: int) -> None:
        """Know what a service offers, unless an earlier visit or step has found out already."""
        if self.silent or self.complete or any(found.service == service for found in self.found):
            return
        found = await self.step(f"looking for {named(service)}", lambda: self.link.discover(service), requests=6)
        self.found += found or ()

    def learn_manners(self) -> None:
        """What the end of the visit says of the cuff's manners; sure where it cost every record."""
        ended = self.link.ended.ending if self.link.ended is not None else None
        could_be_spared = self.doing and not self.doing.startswith(NEEDED)
        if could_be_spared and self.link.heard == self._heard_before and ended in (Ending.CUFF_LEFT, Ending.LINK_LOST):
            sure = ended is Ending.CUFF_LEFT and not self.link.heard and self.doing not in BRINGS_RECORDS
            self.learn(Learned(Manner.HANGS_UP, self.doing, sure))
        for manner in self.link.noticed:
            self.learn(Learned(manner))
        if self.link.heard and Manner.NO_PAIRING in self.manners:
            self.learn(Unlearned(Manner.NO_PAIRING))

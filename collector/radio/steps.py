"""The steps of a visit: each has its limit, is noted where it fails, and teaches how the cuff wants to be visited."""

import logging
import time
from collections.abc import Awaitable
from datetime import UTC, datetime, timedelta
from typing import TypeVar

from collector.radio.learned import Learned, Manner, Unlearned
from collector.radio.outcome import Ending
from collector.radio.plan import VisitPlan
from collector.radio.port import Fact, Found, KnownCuff, Link, LinkLost, Refused, Sink, ValueRead
from collector.radio.time_limit import within
from parsers.uuids import Uuid

log = logging.getLogger("quietcuff.visit")
T = TypeVar("T")

SLOW_TIMEOUT_S = 30.0  # ATT's own limit (Core Vol 3 Part F 3.3.3)
FIRST_QUIET_S = 0.2  # no record for so long: time to ask for what only describes
SLOW_S = 1.0  # an answer that takes so long makes a cuff a slow one (our choice)


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

    def _known(self) -> KnownCuff:
        try:
            return next(cuff for cuff in self.sink.known() if cuff.address == self.link.cuff)
        except Exception:
            return KnownCuff(self.link.cuff, bonded=False)

    async def step(self, what: str, step: Awaitable[T], timeout_s: float | None = None) -> T | None:
        """Do one step; None when it failed in a way the visit survives."""
        self.doing, began = what, time.monotonic()
        slow = SLOW_TIMEOUT_S if Manner.SLOW in self.manners else 0.0
        try:
            result = await within(max(timeout_s or self.plan.step_timeout_s, slow), step)
        except TimeoutError:
            self.silent = True
            self.note(what, "no answer")
        except Refused as error:
            self.note(what, str(error))
        except LinkLost:
            log.info("%s: left during %s", self.link.cuff, what)
            raise
        else:
            self.doing = ""
            if time.monotonic() - began > SLOW_S and what.startswith("reading") and Manner.SLOW not in self.manners:
                self.manners.add(Manner.SLOW)
                self.learn(Learned(Manner.SLOW))
            return result
        self.doing = ""
        return None

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
        what = f"reading {named(found.short)}"
        if what in self.left_out:
            return None
        asked, began = datetime.now(UTC), time.monotonic()
        value = await self.step(what, self.link.read(found))
        if value is None:
            if self.silent:
                self.learn(Learned(Manner.NO_ANSWER, what))
            return None
        trip = time.monotonic() - began
        fact = ValueRead(found.short, value, asked + timedelta(seconds=trip / 2), trip)
        self.learn(fact)
        for suspected in self.known.manners:
            if suspected.detail == what:
                self.learn(Unlearned(suspected.manner, what))
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
        self.found += await self.step("looking for more", self.link.discover(service)) or ()

    def learn_manners(self) -> None:
        """What the end of the visit says of the cuff's manners; sure where it cost every record."""
        by_cuff = self.link.ended is not None and self.link.ended.ending is Ending.CUFF_LEFT
        if self.doing.startswith("reading") and by_cuff:
            self.learn(Learned(Manner.HANGS_UP, self.doing, sure=not self.link.heard))
        for manner in self.link.noticed:
            self.learn(Learned(manner))

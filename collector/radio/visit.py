"""The one visit procedure, the same for every radio.

Order (Blood Pressure Profile 1.1.1, collector role): secure the link, discover, read the clock first and
then what describes the cuff, subscribe last because many cuffs start to send at once, fetch stored
records where the service offers it, stay until the cuff leaves. A step that fails is noted and the
visit goes on: what a cuff sends counts more than what it answers.
"""

import asyncio
import logging
import time
from collections.abc import Awaitable
from contextlib import suppress
from datetime import UTC, datetime, timedelta
from typing import TypeVar

from collector.radio import cuff_clock, records
from collector.radio.port import (
    LINK_LOST,
    MEASUREMENT_CHARACTERISTICS,
    WE_LEFT,
    Bond,
    ClockSet,
    Ending,
    Fact,
    Found,
    Handles,
    Link,
    LinkLost,
    Named,
    Outcome,
    RadioError,
    Refused,
    SetClock,
    Sink,
    ValueRead,
    VisitPlan,
)
from collector.radio.time_limit import within
from parsers.control import consent
from parsers.uuids import Uuid

log = logging.getLogger("quietcuff.visit")
T = TypeVar("T")

PAIRING_TIMEOUT_S = 40.0  # the Security Manager gives up after 30 s (Core Vol 3 Part H 3.4)
QUIET_S = 2.0  # no record for so long: the cuff has sent what it had
FAREWELL_S = 2.0  # for hanging up
LOOK_S = 0.5  # how often a stay looks at the clock

CLOCKS = (Uuid.CURRENT_TIME, Uuid.DATE_TIME)  # the first that is there is the cuff's clock
DESCRIPTION = (
    Uuid.LOCAL_TIME_INFORMATION,
    Uuid.BLOOD_PRESSURE_FEATURE,
    Uuid.BATTERY_LEVEL,
    Uuid.MANUFACTURER_NAME,
    Uuid.MODEL_NUMBER,
    Uuid.SERIAL_NUMBER,
    Uuid.FIRMWARE_REVISION,
    Uuid.HARDWARE_REVISION,
    Uuid.SOFTWARE_REVISION,
    Uuid.SYSTEM_ID,
    Uuid.PNP_ID,
)


async def visit(link: Link, sink: Sink, plan: VisitPlan) -> Outcome:
    """One visit from the open link to its end; always closes what it opened. Returns the outcome in words."""
    try:
        number = sink.open_visit(link.cuff, link.source, datetime.now(UTC))
    except Exception as error:
        log.error("no visit to %s: the store does not take it: %s", link.cuff, error)
        await _hang_up(link)
        return Outcome(Ending.FAILED, str(error))
    link.visit = number
    course = _Visit(link, sink, plan, number)
    outcome = WE_LEFT
    try:
        outcome = await course.run()
    except LinkLost:
        outcome = link.ended or LINK_LOST
    except Exception as error:
        log.debug("visit to %s", link.cuff, exc_info=True)
        outcome = Outcome(Ending.FAILED, f"{type(error).__name__}: {error}")
    finally:
        await _hang_up(link)
        if link.ended is not None and link.ended.failed:  # the link knows best why it was dropped
            outcome = link.ended
        elif course.trouble and not link.heard:
            outcome = Outcome(Ending.FAILED, course.trouble)
        with suppress(Exception):
            sink.close_visit(number, datetime.now(UTC), outcome)
        log.debug("visit to %s: %s, %d records", link.cuff, outcome, link.heard)
    return outcome


async def _hang_up(link: Link) -> None:
    with suppress(TimeoutError, RadioError):
        await within(FAREWELL_S, link.hang_up())


class _Visit:
    def __init__(self, link: Link, sink: Sink, plan: VisitPlan, number: int) -> None:
        self.link, self.sink, self.plan, self.number = link, sink, plan, number
        self.started = time.monotonic()
        self.found: tuple[Found, ...] = ()
        self.silent = False  # a request is not answered: until then ATT allows no other (Vol 3 Part F 3.3.3)
        self.trouble: str | None = None  # why no record could come, if so

    async def run(self) -> Outcome:
        link = self.link
        bonded = await self._step("securing the link", link.secure(), PAIRING_TIMEOUT_S)
        if bonded is not None:
            self._learn(Bond(bonded, link.bond_missing_on))
        if link.name:
            self._learn(Named(link.name))
        self.found = await self._step("discovery", link.discover()) or ()
        handles = {f.handle: f.short for f in self.found if f.short in MEASUREMENT_CHARACTERISTICS}
        if handles:
            self._learn(Handles({handle: short for handle, short in handles.items() if short is not None}))
        await self._read_clock()
        for short in DESCRIPTION:
            await self._read(short)
        await self._ask_consent()
        await self._subscribe()
        await self._fetch_records()
        return await self._stay()

    # -- steps ---------------------------------------------------------------------------------------

    async def _step(self, what: str, step: Awaitable[T], timeout_s: float | None = None) -> T | None:
        """Do one step; None when it failed in a way the visit survives."""
        try:
            return await within(timeout_s or self.plan.step_timeout_s, step)
        except TimeoutError:
            self.silent = True
            self._note(what, "no answer")
        except Refused as error:
            self._note(what, str(error))
        except LinkLost:
            log.info("%s: left during %s", self.link.cuff, what)
            raise
        return None

    def _note(self, what: str, text: str) -> None:
        log.info("%s: %s: %s", self.link.cuff, what, text)
        if what.startswith(("discovery", "subscribing")):
            self.trouble = f"{what}: {text}"

    def _learn(self, fact: Fact) -> None:
        try:
            self.sink.learn(self.number, fact)
        except Exception as error:  # a description that cannot be stored must not cost a record
            log.error("%s: could not store %s: %s", self.link.cuff, type(fact).__name__, error)

    def _find(self, *shorts: int, property_: str) -> Found | None:
        """The first characteristic of these, in this order, that declares the property."""
        for short in shorts:
            for found in self.found:
                if found.short == short and property_ in found.properties:
                    return found
        return None

    async def _read(self, *shorts: int) -> ValueRead | None:
        """Read and learn the first of these that is there, with the instant it held and the round trip."""
        found = self._find(*shorts, property_="read")
        if found is None or found.short is None or self.silent:
            return None
        asked, began = datetime.now(UTC), time.monotonic()
        value = await self._step(f"reading {found.short:#06x}", self.link.read(found))
        if value is None:
            return None
        trip = time.monotonic() - began
        fact = ValueRead(found.short, value, asked + timedelta(seconds=trip / 2), trip)
        self._learn(fact)
        return fact

    async def _read_clock(self) -> ValueRead | None:
        return await self._read(*CLOCKS)

    async def _ask_consent(self) -> None:
        """User Data Service: consent, for the one user that the configuration names for this cuff."""
        user = self.plan.users.get(self.link.cuff)
        point = self._find(Uuid.USER_CONTROL_POINT, property_="write")
        if user is None or point is None or self.silent:
            return
        answer = await self._step("user consent", self.link.ask(point, consent(*user)))
        if answer is not None and not records.consented(answer):
            self._note("user consent", f"refused, answer {answer.hex()}")

    async def _subscribe(self) -> None:
        wanted = [f for f in self.found if f.short in MEASUREMENT_CHARACTERISTICS]
        for found in wanted:
            await self._step(f"subscribing to {found.short:#06x}", self.link.subscribe(found, self.number))
        if self.found and not wanted:
            self.trouble = "the cuff has no measurement characteristic"

    async def _fetch_records(self) -> None:
        point = self._find(Uuid.RECORD_ACCESS_CONTROL_POINT, property_="write")
        has_records = any(f.short == Uuid.BLOOD_PRESSURE_RECORD for f in self.found)
        if not self.plan.fetch_records or point is None or not has_records or self.silent:
            return
        try:
            await records.fetch(self.link, point)
        except TimeoutError:
            self._note("stored records", "no answer")
        except Refused as error:
            self._note("stored records", str(error))

    # -- staying -------------------------------------------------------------------------------------

    async def _stay(self) -> Outcome:
        """Until the cuff leaves, a long silence or a limit; the clock is set in the first quiet."""
        gone = asyncio.ensure_future(self.link.gone())
        clock_due = self.plan.set_clock is not SetClock.NEVER and not self.silent
        subscribed = time.monotonic()
        try:
            while not gone.done():
                now = time.monotonic()
                quiet = now - max(subscribed, self.link.heard_at)
                if clock_due and quiet >= QUIET_S:
                    clock_due = False
                    await self._set_clock()
                if quiet >= self.plan.idle_s or now - self.started >= self.plan.longest_s:
                    return WE_LEFT
                if self.link.heard >= self.plan.most_records:
                    return WE_LEFT
                await asyncio.wait({gone}, timeout=LOOK_S)
            return self.link.ended or LINK_LOST
        finally:
            gone.cancel()

    async def _set_clock(self) -> None:
        """Set the cuff's clock, between two readings of it.

        Only once the cuff has fallen quiet, so that records stamped by the old clock are here already; the
        reading before and the one after say for every stamp by which clock it was written. Never where
        our own clock cannot be right (a computer without clock before it has asked for the time).
        """
        found = self._find(*CLOCKS, property_="write")
        if found is None or found.short is None:
            return
        before = await self._read_clock()
        if before is None:
            return
        offset = cuff_clock.seconds_ahead(before, self.plan.zone)
        right = offset is not None and abs(offset) <= self.plan.clock_wrong_after_s
        if not cuff_clock.trustworthy(before.at) or (self.plan.set_clock is SetClock.WHEN_WRONG and right):
            return
        value, error = cuff_clock.encode(found.short, datetime.now(UTC), self.plan.zone), None
        try:
            await within(self.plan.step_timeout_s, self.link.write(found, value))
        except TimeoutError:
            self.silent = True
            self._note("setting the clock", "no answer")
            return
        except Refused as refusal:
            error = refusal.code
            self._note("setting the clock", str(refusal))
        self._learn(ClockSet(found.short, value, datetime.now(UTC), error))
        await self._read_clock()

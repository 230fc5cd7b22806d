"""The one visit procedure, the same for every radio: short, patient, and it says why where nothing came.

Order (Blood Pressure Profile 1.1.1, collector role): encrypt where a bond stands, find the Blood Pressure Service and
subscribe, by what an earlier visit found where that still holds; then the clock; everything else waits for the first
quiet, since what a cuff sends counts more than what it answers. A step that fails is noted and the visit goes on; a
read that hangs, or makes the cuff hang up, is left out at the next visit.
"""

import asyncio
import logging
import time
from collections import deque
from contextlib import suppress
from datetime import UTC, datetime, timedelta

from collector.radio import clock_setting, records
from collector.radio.errors import LinkLost, RadioError
from collector.radio.facts import (
    LINK_LOST,
    MEASUREMENT_CHARACTERISTICS,
    WE_LEFT,
    Bond,
    Characteristics,
    Ending,
    Found,
    Handles,
    Learned,
    Manner,
    Named,
    PassingAddress,
    Unlearned,
    VisitOutcome,
)
from collector.radio.plan import SetClock, VisitPlan
from collector.radio.port import Link, Sink
from collector.radio.steps import FIRST_QUIET_S, Steps
from collector.radio.time_limit import within
from parsers.cuff_clock import CLOCKS
from parsers.uuids import Uuid

log = logging.getLogger("quietcuff.visit")
PAIRING_TIMEOUT_S = 40.0  # the Security Manager gives up after 30 s (Core Vol 3 Part H 3.4)
QUIET_S = 2.0  # no record for so long: the cuff has sent what it had
FAREWELL_S = 2.0  # for hanging up
LOOK_S = 0.5  # how often a stay looks at the clock
DESCRIBED_FOR = timedelta(days=30)  # how long what a cuff says of itself is taken to hold
MOST_REQUESTS = 30  # to know all that a cuff offers
NEVER_DELIVERED = 2  # visits without any record from which on the clock is suspected

DESCRIPTION = (
    Uuid.MANUFACTURER_NAME,
    Uuid.MODEL_NUMBER,
    Uuid.SERIAL_NUMBER,
    Uuid.FIRMWARE_REVISION,
    Uuid.HARDWARE_REVISION,
    Uuid.SOFTWARE_REVISION,
    Uuid.SYSTEM_ID,
    Uuid.PNP_ID,
    Uuid.LOCAL_TIME_INFORMATION,
    Uuid.DATABASE_HASH,
    Uuid.BLOOD_PRESSURE_FEATURE,  # last: who has told this has told all
)


async def visit(link: Link, sink: Sink, plan: VisitPlan) -> VisitOutcome:
    """One visit from the open link to its end; always closes what it opened. Returns the outcome in words."""
    try:
        number = sink.open_visit(link.cuff, link.source, datetime.now(UTC))
    except Exception as error:
        log.error("no visit to %s: the store does not take it: %s", link.cuff, error)
        await _hang_up(link)
        return VisitOutcome(Ending.FAILED, str(error))
    link.visit = number
    course = _Visit(link, sink, plan, number)
    outcome = WE_LEFT
    try:
        outcome = await course.run()
    except LinkLost:
        outcome = link.ended or LINK_LOST
    except Exception as error:
        log.debug("visit to %s", link.cuff, exc_info=True)
        outcome = VisitOutcome(Ending.FAILED, f"{type(error).__name__}: {error}")
    finally:
        await _hang_up(link)
        course.learn_manners()
        if link.ended is not None and link.ended.failed:  # the link knows best why it was dropped
            outcome = link.ended
        elif course.trouble and not link.heard:
            outcome = VisitOutcome(Ending.FAILED, course.trouble)
        with suppress(Exception):
            sink.close_visit(number, datetime.now(UTC), outcome)
        log.debug("visit to %s: %s, %d records", link.cuff, outcome, link.heard)
    return outcome


async def _hang_up(link: Link) -> None:
    with suppress(TimeoutError, RadioError):
        await within(FAREWELL_S, link.hang_up())


class _Visit(Steps):
    def __init__(self, link: Link, sink: Sink, plan: VisitPlan, number: int) -> None:
        super().__init__(link, sink, plan, number)
        self.subscribed_at = self.started
        self._told_bond: Bond | None = None
        self._told_passing = False
        self._clock_set_at: int | None = None  # records heard when the clock was set

    async def run(self) -> VisitOutcome:
        link = self.link
        if link.name:
            self.learn(Named(link.name))
        try:
            if self.known.bonded:
                secured = await self.step("securing the link", link.secure, PAIRING_TIMEOUT_S)
                self._learn_bond()
                if self._unproven(secured):
                    return VisitOutcome(Ending.FAILED, "the cuff and this computer no longer share a bond")
            await self._begin()
            self._learn_bond()
            await self._meet_clock()
            await records.ask_all(self)
            return await self._stay()
        finally:
            self._learn_bond()

    def _learn_bond(self) -> None:
        bond = Bond(self.link.bonded, self.link.bond_missing_on, self.link.bond_renewed)
        if bond != self._told_bond:
            self._told_bond = bond
            self.learn(bond)
        if self.link.passing_address and not self._told_passing:
            self._told_passing = True
            self.learn(PassingAddress())

    def _unproven(self, secured: bool | None) -> bool:
        """Whether somebody bears a bonded cuff's address and has no key: whoever it is, nothing is taken from it."""
        link = self.link
        renewing = secured is not None and (link.bonded or self.sink.may_pair_anew(link.cuff))
        if link.bond_missing_on != "cuff" or renewing:
            return False
        text = f"{link.cuff} does not have the bond of the cuff that bears this address, and is not listened to"
        remedy = f"if it is your cuff, quietcuff cuff add {link.cuff} lets it make a new one"
        self.sink.tell(f"bond {link.cuff}", f"{text}; {remedy}")
        return True

    def learn_manners(self) -> None:
        super().learn_manners()
        if self._clock_set_at == 0 and self.link.heard and self.known.undelivered:
            self.learn(Learned(Manner.CLOCK_FIRST))
        waits = self.known.undelivered > 0 and self.find(Uuid.USER_CONTROL_POINT, property_="write") is not None
        if waits and not self.link.heard and not self.plan.users.get(self.link.cuff):
            self.learn(Learned(Manner.CONSENT))
        elif self.link.heard and Manner.CONSENT in self.manners:
            self.learn(Unlearned(Manner.CONSENT))

    # -- until records can come ----------------------------------------------------------------------

    async def _begin(self) -> None:
        """Subscribe: by what is remembered, else by what the Blood Pressure Service says."""
        if self.known.found and await self._resume():
            return
        self.trouble = None
        await self._discover_measurements()
        await self._subscribe()

    async def _resume(self) -> bool:
        asked = await self.step("asking whether all is as it was", lambda: self.link.resume(self.known))
        self.found = asked or ()
        return bool(self.found) and await self._subscribe()

    async def _discover_measurements(self) -> None:
        self.link.table_changed = False
        found = await self.step("discovery", lambda: self.link.discover(Uuid.BLOOD_PRESSURE_SERVICE), requests=6)
        if not found and not self.silent:  # it may be declared by its long number
            found = await self.step("discovery", self.link.discover, requests=MOST_REQUESTS)
        self.found = found or ()
        self._learn_table()

    def _learn_table(self) -> None:
        measuring = {f.handle: f.short for f in self.found if f.short in MEASUREMENT_CHARACTERISTICS}
        if measuring:
            self.learn(Handles({handle: short for handle, short in measuring.items() if short is not None}))
            self.learn(Characteristics(tuple(f for f in self.found if f.short is not None)))

    async def _subscribe(self) -> bool:
        """Whether every measurement characteristic took the subscription; a refused link is secured, and asks again."""
        wanted = [f for f in self.found if f.short in MEASUREMENT_CHARACTERISTICS]
        left = [found for found in wanted if not await self._subscribe_to(found)]
        if left and not self.silent and await self.step("securing the link", self.link.secure, PAIRING_TIMEOUT_S):
            self.trouble = None
            left = [found for found in left if not await self._subscribe_to(found)]
        self.subscribed_at = time.monotonic()
        if self.found and not wanted:
            self.trouble = "the cuff has no measurement characteristic"
        return bool(wanted) and not left

    async def _subscribe_to(self, found: Found) -> bool:
        before, self.trouble = self.trouble, None
        what = f"subscribing to {found.short:#06x}"
        await self.step(what, lambda: self.link.subscribe(found, self.number), PAIRING_TIMEOUT_S)
        failed = self.trouble is not None
        self.trouble = self.trouble or before
        return not failed

    async def _meet_clock(self) -> None:
        if self.find(*CLOCKS, property_="read") is None:
            await self.discover_service(Uuid.CURRENT_TIME_SERVICE)
        if Manner.CLOCK_FIRST in self.manners and self.plan.set_clock is not SetClock.NEVER:
            await self._set_clock(though_right=True)
        else:
            await self.read(*CLOCKS)

    # -- staying -------------------------------------------------------------------------------------

    async def _stay(self) -> VisitOutcome:
        """Until the cuff leaves, a long silence or a limit. In the first quiet, what describes; later the clock."""
        gone = asyncio.ensure_future(self.link.gone())
        clock_due = self.plan.set_clock is not SetClock.NEVER and self._clock_set_at is None
        waiting = self._description()
        try:
            while not gone.done():
                quiet = time.monotonic() - max(self.subscribed_at, self.link.heard_at)
                if self.silent:
                    clock_due, waiting = False, deque()
                if self.at_limit():
                    return WE_LEFT
                if self.link.table_changed:
                    await self._start_over()
                elif waiting and quiet >= FIRST_QUIET_S:
                    await self._describe(waiting)
                elif clock_due and quiet >= QUIET_S:
                    clock_due = False
                    await self._set_clock(though_right=self.known.undelivered >= NEVER_DELIVERED)
                elif quiet >= self.plan.idle_s and not waiting:
                    return WE_LEFT
                else:
                    await asyncio.wait({gone}, timeout=FIRST_QUIET_S if waiting else LOOK_S)
            return self.link.ended or LINK_LOST
        finally:
            gone.cancel()

    def _description(self) -> deque[int | None]:
        """What is still to be asked, one request or two at a time; None stands for the discovery of all the rest."""
        now, told = datetime.now(UTC), self.known.described_at
        due = told is None or now - told > DESCRIBED_FOR or not self.complete
        first = [] if self.complete else [None]
        changing = self.find(Uuid.BLOOD_PRESSURE_FEATURE, property_="indicate")  # it says that its features may change
        description = DESCRIPTION if due else (Uuid.BLOOD_PRESSURE_FEATURE,) if changing else ()
        return deque([*first, *description, Uuid.BATTERY_LEVEL])

    async def _describe(self, waiting: deque[int | None]) -> None:
        what = waiting.popleft()
        if what is not None:
            await self.read(what)
            return
        rest = await self.step("looking for the rest", self.link.discover, requests=MOST_REQUESTS) or ()
        handles = {found.handle for found in self.found}
        self.found += tuple(found for found in rest if found.handle not in handles)
        self._learn_table()
        changes = self.find(Uuid.SERVICE_CHANGED, property_="indicate")
        if changes is not None and self.link.bonded:  # a bond remembers it (Core Vol 3 Part G 7.1)
            await self.step("asking to be told of changes", lambda: self.link.subscribe(changes, self.number))

    async def _start_over(self) -> None:
        """The cuff's table has changed: what was found before may mean something else now."""
        await self._discover_measurements()
        await self._subscribe()

    async def _set_clock(self, though_right: bool = False) -> None:
        heard = self.link.heard
        if await clock_setting.set_clock(self, though_right):
            self._clock_set_at = heard

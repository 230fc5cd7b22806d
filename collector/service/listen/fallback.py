"""Radios that may not be to be had: made only when they are to run; and BlueZ in place of the exclusive one."""

import asyncio
import logging
import time
from collections.abc import Callable

from collector.radio.errors import RadioUnavailable
from collector.radio.plan import VisitPlan
from collector.radio.port import Radio, Sink

log = logging.getLogger("quietcuff.service")

PATIENCE_S = 60.0  # it is tried again for so long: a change of radio costs cuffs their bonds
WORKED_S = 2.0  # a radio that ran for so long had its adapter
COSTS = (
    "going on over BlueZ: a cuff is told that a record arrived before it is on disk, so that a power cut can cost one, "
    "and bonded cuffs have to pair anew; a restart of the service tries the exclusive radio again"
)


class MadeToRun:
    """Implements Radio: made at its first run, so that a library that is missing is told then, and again."""

    def __init__(self, source: str, make: Callable[[], Radio]) -> None:
        self.source, self._make = source, make
        self._radio: Radio | None = None
        self._progress = time.monotonic()

    @property
    def progress(self) -> float:
        return self._radio.progress if self._radio else self._progress

    @progress.setter
    def progress(self, at: float) -> None:
        self._progress = at
        if self._radio is not None:
            self._radio.progress = at

    async def run(self, sink: Sink, plan: VisitPlan, stop: asyncio.Event) -> None:
        if self._radio is None:
            self._radio = self._make()
        await self._radio.run(sink, plan, stop)


class FallingBack:
    """Implements Radio: the first radio, or after a while of failing the second one until the run is to end."""

    def __init__(self, first: Radio, second: Callable[[], Radio]) -> None:
        self.source = first.source
        self._first, self._make_second = first, second
        self._second: Radio | None = None
        self._failing_since: float | None = None
        self._trouble = ""

    @property
    def progress(self) -> float:
        return (self._second or self._first).progress

    @progress.setter
    def progress(self, at: float) -> None:
        (self._second or self._first).progress = at

    async def run(self, sink: Sink, plan: VisitPlan, stop: asyncio.Event) -> None:
        if self._failing_since is None or time.monotonic() - self._failing_since < PATIENCE_S:
            await self._run_first(sink, plan, stop)
            return
        self._second = self._make_second()
        self.source = self._second.source
        sink.tell("fallback", f"the exclusive radio cannot be had ({self._trouble}); {COSTS}")
        try:
            await self._second.run(sink, plan, stop)
        finally:
            self._second = self._failing_since = None  # the first one gets its chance again
            self.source = self._first.source

    async def _run_first(self, sink: Sink, plan: VisitPlan, stop: asyncio.Event) -> None:
        began = time.monotonic()
        try:
            await self._first.run(sink, plan, stop)
        except (RadioUnavailable, ModuleNotFoundError) as error:
            worked = time.monotonic() - began >= WORKED_S
            self._trouble = str(error)
            if worked or self._failing_since is None:
                self._failing_since = time.monotonic()
            raise
        self._failing_since = None
        sink.tell("fallback", None)

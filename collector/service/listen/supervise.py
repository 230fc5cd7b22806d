"""Runs a radio for as long as it is wanted: retries what fails, tells systemd, ends cleanly on a signal."""

import asyncio
import logging
import signal
import time
from collections.abc import Callable, Iterable
from contextlib import suppress

from collector.radio.errors import RadioUnavailable
from collector.radio.plan import VisitPlan
from collector.radio.port import Radio, Sink
from collector.service.jobs import schedule
from collector.systemd_notify import tell_systemd, watchdog_interval

log = logging.getLogger("quietcuff.service")

RETRY_S = 5.0
SETTLED_S = 2.0  # a radio that ran for so long is up
GRACE_S = 4.5  # a stop asked for ends within five seconds, whatever the radio is at
STALLED_S = 180.0  # a radio that shows no sign of life for so long is worth a restart


class RunControl:
    """What the service is to do, as signals and configuration change it: the visit's plan, a stop, a new start."""

    def __init__(self, plan: VisitPlan, stop: asyncio.Event | None = None) -> None:
        self.plan = plan
        self.stop = stop or asyncio.Event()
        self._this_run = asyncio.Event()

    def restart(self, plan: VisitPlan) -> None:
        """Go on with another plan: the radio's present run ends gently and a new one begins."""
        self.plan = plan
        self._this_run.set()

    def end(self) -> None:
        self.stop.set()
        self._this_run.set()

    def begin_run(self) -> asyncio.Event:
        """Set when the run that begins now has to end."""
        self._this_run = asyncio.Event()
        if self.stop.is_set():
            self._this_run.set()
        return self._this_run


async def keep_radio_running(radio: Radio, sink: Sink, control: RunControl, retry_s: float = RETRY_S) -> None:
    """Run the radio until told to stop; where it can't be had, say why once, and try again until it can."""
    told: str | None = None

    def up() -> None:
        nonlocal told
        sink.tell("radio", None)
        if told is not None:
            log.info("the radio works again")
            told = None

    while not control.stop.is_set():
        trouble, ending = "the radio ended by itself", control.begin_run()
        try:
            await _run_once(radio, sink, control.plan, ending, up)
        except RadioUnavailable as error:
            trouble = str(error)
        except ModuleNotFoundError as error:
            trouble = (
                f"this radio needs {error.name}, which is not installed; "
                "pip install 'quietcuff[virtual]' into the same place"
            )
        except Exception as error:
            log.debug("radio", exc_info=True)
            trouble = f"the radio failed: {type(error).__name__}: {error}"
        if ending.is_set():
            continue
        if trouble != told:
            sink.tell("radio", f"{trouble}; trying again every {retry_s:g} s")
            told = trouble
        with suppress(TimeoutError):
            await asyncio.wait_for(ending.wait(), retry_s)
        radio.progress = time.monotonic()  # waiting for an adapter is not a stall


async def _run_once(radio: Radio, sink: Sink, plan: VisitPlan, ending: asyncio.Event, up: Callable[[], None]) -> None:
    """One run of the radio; once it is to end it has GRACE_S to finish its visits, then it is cut off.

    up: called once the radio has run for a moment without failing.
    """
    running = asyncio.create_task(radio.run(sink, plan, ending))
    waiting = asyncio.create_task(ending.wait())
    try:
        done, _ = await asyncio.wait({running, waiting}, timeout=SETTLED_S, return_when=asyncio.FIRST_COMPLETED)
        if not done:
            up()
            await asyncio.wait({running, waiting}, return_when=asyncio.FIRST_COMPLETED)
        await asyncio.wait({running}, timeout=GRACE_S)
        if running.done():
            await running  # raises what it raised
        else:
            log.warning("a visit was given up: it did not end within %g s", GRACE_S)
    finally:
        waiting.cancel()
        running.cancel()
        with suppress(asyncio.CancelledError, Exception):
            await running


async def feed_watchdog(radio: Radio, stalled_s: float = STALLED_S) -> None:
    """Tell systemd of life as long as this loop turns and the radio makes progress; silence gets us restarted."""
    interval = watchdog_interval()
    if interval is None:
        return
    while True:
        if time.monotonic() - radio.progress < stalled_s:
            tell_systemd("WATCHDOG=1")
        else:
            log.error("the radio has shown no sign of life for %g s; waiting for systemd to restart us", stalled_s)
        await asyncio.sleep(interval)


async def run(
    radio: Radio,
    sink: Sink,
    control: RunControl,
    jobs: Callable[[], Iterable[schedule.Job]] = tuple,
    reload: Callable[[], VisitPlan | None] | None = None,
) -> None:
    """The whole service around one radio: recurring jobs, readiness, watchdog, clean end.

    reload: on SIGHUP, reads the configuration again; None when nothing is to change. `jobs` is asked anew then.
    """
    scheduler = schedule.start(jobs())
    watchdog = asyncio.create_task(feed_watchdog(radio))

    def schedule_anew() -> None:
        nonlocal scheduler
        scheduler.shutdown(wait=False)
        scheduler = schedule.start(jobs())

    async def follow_clock() -> None:
        while True:
            await schedule.clock_went_back()
            log.info("the clock was set back: recurring work is scheduled anew")
            schedule_anew()

    def begin_anew() -> None:
        tell_systemd("RELOADING=1", f"MONOTONIC_USEC={time.monotonic_ns() // 1000}")
        plan = reload() if reload else None
        if plan is not None:
            schedule_anew()
            control.restart(plan)
        tell_systemd("READY=1")

    loop = asyncio.get_running_loop()
    for number in (signal.SIGTERM, signal.SIGINT):
        loop.add_signal_handler(number, control.end)
    loop.add_signal_handler(signal.SIGHUP, begin_anew)
    ending = asyncio.create_task(_end_when_stopped(control))
    following = asyncio.create_task(follow_clock())
    tell_systemd("READY=1", f"STATUS=listening ({radio.source})")
    log.info("listening (%s)", radio.source)
    try:
        await keep_radio_running(radio, sink, control)
    finally:
        tell_systemd("STOPPING=1")
        watchdog.cancel()
        ending.cancel()
        following.cancel()
        scheduler.shutdown(wait=False)
        log.info("stopped")


async def _end_when_stopped(control: RunControl) -> None:
    """A stop that somebody set from outside ends the present run too."""
    await control.stop.wait()
    control.end()

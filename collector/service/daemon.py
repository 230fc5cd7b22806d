"""Runs a radio for as long as it is wanted: retries what fails, tells systemd, ends cleanly on a signal."""

import asyncio
import logging
import signal
import time
from collections.abc import Callable, Iterable
from contextlib import suppress

from collector.radio.port import Desk, Radio, RadioUnavailable, VisitPlan
from collector.service import schedule
from collector.service.notify import tell_systemd, watchdog_interval

log = logging.getLogger("quietcuff.service")

RETRY_S = 5.0
SETTLED_S = 2.0  # a radio that ran for so long is up
GRACE_S = 4.5  # a stop asked for ends within five seconds, whatever the radio is at
STALLED_S = 180.0  # a radio that shows no sign of life for so long is worth a restart


def stop_on_signals(stop: asyncio.Event) -> None:
    """SIGTERM and SIGINT ask for a clean end."""
    loop = asyncio.get_running_loop()
    for number in (signal.SIGTERM, signal.SIGINT):
        loop.add_signal_handler(number, stop.set)


async def keep_radio_running(radio: Radio, desk: Desk, plan: VisitPlan, stop: asyncio.Event,
                             retry_s: float = RETRY_S) -> None:
    """Run the radio until `stop`; where it can't be had, say why once, and try again until it can."""
    told: str | None = None

    def up() -> None:
        nonlocal told
        desk.tell("radio", None)
        if told is not None:
            log.info("the radio works again")
            told = None

    while not stop.is_set():
        trouble = "the radio ended by itself"
        try:
            await _run_once(radio, desk, plan, stop, up)
        except RadioUnavailable as error:
            trouble = str(error)
        except Exception as error:
            log.debug("radio", exc_info=True)
            trouble = f"the radio failed: {type(error).__name__}: {error}"
        if stop.is_set():
            return
        if trouble != told:
            desk.tell("radio", f"{trouble}; trying again every {retry_s:g} s")
            told = trouble
        with suppress(TimeoutError):
            await asyncio.wait_for(stop.wait(), retry_s)
        radio.progress = time.monotonic()  # waiting for an adapter is not a stall


async def _run_once(radio: Radio, desk: Desk, plan: VisitPlan, stop: asyncio.Event, up: Callable[[], None]) -> None:
    """One run of the radio; after `stop` it has GRACE_S to finish its visits, then it is cut off.

    up: called once the radio has run for a moment without failing.
    """
    running = asyncio.create_task(radio.run(desk, plan, stop))
    waiting = asyncio.create_task(stop.wait())
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


async def run(radio: Radio, desk: Desk, plan: VisitPlan, jobs: Iterable[schedule.Job] = (),
              stop: asyncio.Event | None = None) -> None:
    """The whole service around one radio: recurring jobs, readiness, watchdog, clean end."""
    stop = stop or asyncio.Event()
    stop_on_signals(stop)
    scheduler = schedule.start(jobs)
    watchdog = asyncio.create_task(feed_watchdog(radio))
    tell_systemd("READY=1", f"STATUS=listening ({radio.source})")
    log.info("listening (%s)", radio.source)
    try:
        await keep_radio_running(radio, desk, plan, stop)
    finally:
        tell_systemd("STOPPING=1")
        watchdog.cancel()
        scheduler.shutdown(wait=False)
        log.info("stopped")

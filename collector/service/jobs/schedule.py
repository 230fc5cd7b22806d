"""Recurring work, kept by APScheduler: each job opens what it needs itself and runs beside the radio, in a thread.

The clock of a small machine may start in 1970, or in a year to come, and jump once the network is there. Forward: what
was missed runs once. Back: `clock_went_back` says so, and the schedule has to be started anew.
"""

import asyncio
import logging
from collections.abc import Callable, Iterable
from dataclasses import dataclass
from datetime import UTC, datetime, time, timedelta

from apscheduler.executors.asyncio import AsyncIOExecutor
from apscheduler.schedulers.asyncio import AsyncIOScheduler
from apscheduler.triggers.base import BaseTrigger
from apscheduler.triggers.interval import IntervalTrigger

from collector.service.machine_clock import SET_S, clock_at_boot

log = logging.getLogger("quietcuff.schedule")

LOOK_S = 30.0


@dataclass(frozen=True, slots=True)
class Job:
    """Work that comes again: every so many seconds, or daily at a local hour and minute ('HH:MM')."""

    name: str
    work: Callable[[], str | None]  # what to say in the log, if anything
    every_s: float | None = None
    daily_at: str | None = None


def next_turn(local: time, now: datetime) -> datetime:
    """When a clock on the wall of this machine shows that time next. Once a day, also where the clocks change: in an
    hour that comes twice the first time, and for an hour that is left out in the one beside it."""
    day = now.astimezone().date()
    while (due := datetime.combine(day, local).astimezone(UTC)) <= now:
        day += timedelta(days=1)
    return due


async def clock_went_back() -> None:
    """Returns once the clock was set back: what is due by the old one would wait for it to come round again."""
    ahead = clock_at_boot()
    while True:
        await asyncio.sleep(LOOK_S)
        before, ahead = ahead, clock_at_boot()
        if ahead < before - SET_S:
            return


def _guarded(job: Job) -> Callable[[], None]:
    """A job that fails is told in one line and tried again when it is due; it never takes the radio down."""

    def run() -> None:
        try:
            said = job.work()
        except Exception as error:
            log.error("%s failed: %s", job.name, error)
        else:
            if said:
                log.info("%s: %s", job.name, said)

    return run


class _LetsEnd(AsyncIOExecutor):  # type: ignore[misc]
    """Work that is under way when the service ends, or the schedule is made anew, goes on to its end in its thread: the
    library's own executor calls that an error, with a traceback."""

    def shutdown(self, wait: bool = True) -> None:
        """Nothing to do."""


def start(jobs: Iterable[Job]) -> AsyncIOScheduler:
    """Start the jobs on the running event loop.

    A job missed in suspend runs once on waking (misfire_grace_time=None, coalesce), not never.
    """

    class Every(IntervalTrigger):  # type: ignore[misc]
        """After a jump forward the library lists every turn that was missed before it takes the last: 30 million for a
        job of each minute on a clock that started in 1970. Long missed turns are passed over at once instead."""

        def get_next_fire_time(self, previous: datetime | None, now: datetime) -> datetime:
            long_ago = previous is not None and now - previous > timedelta(days=2)
            found: datetime = super().get_next_fire_time(now if long_ago else previous, now)
            return found

    class Daily(BaseTrigger):  # type: ignore[misc]
        """Not the library's: that one leaves out the day after the clocks went forward, for an hour before the change,
        and has two turns in an hour that comes twice."""

        def __init__(self, local: time) -> None:
            self.local = local

        def get_next_fire_time(self, previous: datetime | None, now: datetime) -> datetime:
            return next_turn(self.local, now)

    settings = {"misfire_grace_time": None, "coalesce": True, "max_instances": 1}
    scheduler = AsyncIOScheduler(job_defaults=settings, executors={"default": _LetsEnd()}, timezone=UTC)
    for job in jobs:
        trigger = Daily(time.fromisoformat(job.daily_at)) if job.daily_at else Every(seconds=job.every_s or 86400)
        scheduler.add_job(_guarded(job), trigger, name=job.name, id=job.name)
    scheduler.start()
    return scheduler

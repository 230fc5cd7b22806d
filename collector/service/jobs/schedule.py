"""Recurring work, kept by APScheduler: each job opens what it needs itself and runs beside the radio, in a thread.

The clock of a small machine may start in 1970, or in a year to come, and jump once the network is there. Forward: what
was missed runs once. Back: `clock_went_back` says so, and the schedule has to be started anew.
"""

import asyncio
import logging
from collections.abc import Callable, Iterable
from dataclasses import dataclass
from datetime import datetime, timedelta
from typing import Any

from apscheduler.schedulers.asyncio import AsyncIOScheduler
from apscheduler.triggers.cron import CronTrigger
from apscheduler.triggers.interval import IntervalTrigger

from collector.service.machine_clock import clock_at_boot

log = logging.getLogger("quietcuff.schedule")

LOOK_S = 30.0
BACK_S = 60.0
"""A clock that is kept right is slewed, or stepped by less than this."""


@dataclass(frozen=True, slots=True)
class Job:
    """Work that comes again: every so many seconds, or daily at a local hour and minute ('HH:MM')."""

    name: str
    work: Callable[[], str | None]  # what to say in the log, if anything
    every_s: float | None = None
    daily_at: str | None = None


class _NoList:
    """After a jump forward the library lists every turn that was missed before it takes the last: 30 million for a
    job of each minute on a clock that started in 1970. Long missed turns are passed over at once instead."""

    def get_next_fire_time(self, previous: datetime | None, now: datetime) -> Any:
        long_ago = previous is not None and now - previous > timedelta(days=2)
        return super().get_next_fire_time(now if long_ago else previous, now)  # type: ignore[misc]


async def clock_went_back() -> None:
    """Returns once the clock was set back: what is due by the old one would wait for it to come round again."""
    ahead = clock_at_boot()
    while True:
        await asyncio.sleep(LOOK_S)
        before, ahead = ahead, clock_at_boot()
        if ahead < before - BACK_S:
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


def start(jobs: Iterable[Job]) -> AsyncIOScheduler:
    """Start the jobs on the running event loop.

    A job missed in suspend runs once on waking (misfire_grace_time=None, coalesce), not never.
    """

    class Every(_NoList, IntervalTrigger):  # type: ignore[misc]
        pass

    class Daily(_NoList, CronTrigger):  # type: ignore[misc]
        pass

    scheduler = AsyncIOScheduler(job_defaults={"misfire_grace_time": None, "coalesce": True, "max_instances": 1})
    for job in jobs:
        if job.daily_at is not None:
            hour, minute = job.daily_at.split(":")
            trigger = Daily(hour=int(hour), minute=int(minute))
        else:
            trigger = Every(seconds=job.every_s or 86400)
        scheduler.add_job(_guarded(job), trigger, name=job.name, id=job.name)
    scheduler.start()
    return scheduler

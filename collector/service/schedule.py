"""Recurring work, kept by APScheduler: each job opens what it needs itself and runs beside the radio, in a thread."""

import logging
from collections.abc import Callable, Iterable
from dataclasses import dataclass
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from apscheduler.schedulers.asyncio import AsyncIOScheduler

log = logging.getLogger("quietcuff.schedule")


@dataclass(frozen=True, slots=True)
class Job:
    """Work that comes again: every so many seconds, or daily at a local hour and minute ('HH:MM')."""

    name: str
    work: Callable[[], str | None]  # what to say in the log, if anything
    every_s: float | None = None
    daily_at: str | None = None


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


def start(jobs: Iterable[Job]) -> "AsyncIOScheduler":
    """Start the jobs on the running event loop.

    A job missed in suspend runs once on waking (misfire_grace_time=None, coalesce), not never.
    """
    from apscheduler.schedulers.asyncio import AsyncIOScheduler
    from apscheduler.triggers.cron import CronTrigger
    from apscheduler.triggers.interval import IntervalTrigger

    scheduler = AsyncIOScheduler(job_defaults={"misfire_grace_time": None, "coalesce": True, "max_instances": 1})
    for job in jobs:
        if job.daily_at is not None:
            hour, minute = job.daily_at.split(":")
            trigger = CronTrigger(hour=int(hour), minute=int(minute))
        else:
            trigger = IntervalTrigger(seconds=job.every_s or 86400)
        scheduler.add_job(_guarded(job), trigger, name=job.name, id=job.name)
    scheduler.start()
    return scheduler

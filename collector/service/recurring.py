"""The work that comes again, as the configuration wants it: backups, notices, retention."""

from collections.abc import Callable
from pathlib import Path

from collector.service import backups
from collector.service.config import Config
from collector.service.notices.rounds import Rounds
from collector.service.schedule import Job

ROUND_S = 900.0


def recurring(store: Path, config: Config) -> tuple[list[Job], Callable[[str], None]]:
    """Jobs for the schedule, and what to call with a reading's id when one came, for notices without delay."""
    rounds = Rounds(store, config)
    jobs = [Job("notices", rounds, every_s=ROUND_S)]
    if config.backup.daily:
        folder = backups.folder_of(store, config.backup.folder)
        work = backups.daily(store, folder, config.backup.keep, config.backup.encrypt_to or None)
        jobs.append(Job("daily backup", work, daily_at=config.backup.at))
    return jobs, lambda reading_id: rounds.soon()

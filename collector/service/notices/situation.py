"""Looks at the store, the disk and the backups, and says how things stand, as values for the rules."""

import shutil
from collections.abc import Iterator
from datetime import UTC, date, datetime, time, timedelta
from hashlib import sha256
from pathlib import Path
from zoneinfo import ZoneInfo

from collector.intake.time.clock_readings import clock_ahead_s
from collector.numbers.protocols import UnknownProtocol
from collector.numbers.rules import PlannedProtocol
from collector.service import machine_clock
from collector.service.config import Config
from collector.service.config.plans import in_force
from collector.service.config.schema import ConfigError
from collector.service.jobs import backups
from collector.service.jobs.backups import BackupError
from collector.service.notices.series_progress import so_far
from collector.service.notices.standing import VERY_HIGH_FOR, CuffNow, Folder, Limits, SeriesUnderWay, Situation, Taken
from collector.share.text.cuff_text import never_delivered
from collector.store import conditions, people, readings
from collector.store.database import Store
from collector.store.errors import StoreError
from collector.store.journal import cuffs, payloads, visits
from collector.store.values import BOND_NOT_CONFIRMED, TAKEN_BACK, VOID_MARKS, Selection, exact_mmhg
from parsers.uuids import Uuid

CLOCKS_APART = timedelta(days=1)
NO_NEWS = TAKEN_BACK | {"failed", "implausible"}
NO_PART = VOID_MARKS | {"failed"}
"""Marks of readings that raise no alarm, and of those that are no part of a series."""
OWN_TOPICS = frozenset({"notices"})
"""Conditions that a channel's failure makes: telling of them through the channel would go in circles."""


def limits_of(config: Config) -> Limits:
    wanted = config.notices
    return Limits(
        cuff_silent_days=wanted.cuff_silent_days,
        battery_below=wanted.battery_below,
        clock_off_min=wanted.clock_off_min,
        disk_free_mb=wanted.disk_free_mb,
        very_high=wanted.very_high,
        series=wanted.series,
        emergency_number=config.station.emergency_number,
    )


def situation_now(store: Store, config: Config, now: datetime | None = None) -> Situation:
    """Reads only. Raises StoreError."""
    now = now or datetime.now(UTC)
    folder = backups.folder_of(store.path, config.backup.folder)
    newest = payloads.newest_arrival(store)
    doubted = machine_clock.reason_to_doubt(now, newest) is not None
    by = newest if doubted and newest and machine_clock.is_years_ahead(now, newest) else now
    return Situation(
        now=now,
        cuffs=tuple(_cuffs(store, config.station.zone)),
        recent=tuple(_recent(store, by - VERY_HIGH_FOR)),
        series=tuple(_series(store, config, now)),
        folders=tuple(_folders(store.path.parent, folder)),
        backups_wanted=config.backup.daily,
        newest_backup=_newest_backup(folder, store.path, now),
        since=payloads.oldest_arrival(store),
        conditions=tuple(told for told in conditions.current(store) if told.topic not in OWN_TOPICS),
        doubted=doubted,
    )


def _cuffs(store: Store, zone: str | None) -> Iterator[CuffNow]:
    for cuff in cuffs.every(store):
        values = visits.values_of(store, cuff.address)
        level, _ = values.get(Uuid.BATTERY_LEVEL, (b"", None))
        yield CuffNow(
            address=cuff.address,
            name=cuff.name or cuff.address,
            readings=cuff.readings,
            last_visit=cuff.last_visit,
            battery=level[0] if level and level[0] <= 100 else None,
            clock_ahead_s=clock_ahead_s(store, cuff.address, zone),
            bond_missing_on=cuff.bond_missing_on,
            bond_renewed=cuff.bond_renewed,
            never_delivered=never_delivered(store, cuff.address),
        )


def _recent(store: Store, since: datetime) -> Iterator[Taken]:
    for reading in readings.select(store, Selection(since=since)):
        if NO_NEWS.intersection(reading.marks):
            continue
        yield Taken(
            reading_id=reading.reading_id,
            cuff=reading.cuff,
            slot=reading.slot,
            person=reading.person,
            systolic=exact_mmhg(reading.systolic, reading.unit),
            diastolic=exact_mmhg(reading.diastolic, reading.unit),
            taken_at=reading.taken_at,
            unconfirmed=BOND_NOT_CONFIRMED in reading.marks,
        )


def _series(store: Store, config: Config, now: datetime) -> Iterator[SeriesUnderWay]:
    """Of the people whose configuration names a first day and who are in the store."""
    for name, plan in config.people.items():
        try:
            if not plan.series_from or people.find(store, name) is None:
                continue
        except StoreError:
            continue  # two of that name: told wherever one of them is meant
        try:
            rules = PlannedProtocol.of(*in_force(config, name))
        except (UnknownProtocol, ConfigError):
            continue  # told where it is used: by `average` and `check`
        first = date.fromisoformat(plan.series_from)
        since = datetime.combine(first, time(), ZoneInfo("UTC")) - timedelta(days=1)
        taken = [
            reading.taken_at
            for reading in readings.select(store, Selection(person=name, since=since))
            if reading.systolic is not None and not NO_PART.intersection(reading.marks)
        ]
        zone = ZoneInfo(config.station.zone) if config.station.zone else None
        counted, expected = so_far(taken, rules.protocol, first, now.astimezone(zone).date())
        digest = sha256(name.encode()).hexdigest()[:8]
        yield SeriesUnderWay(
            person=name,
            subject=f"{digest}-{plan.series_from}",
            protocol=rules.protocol.name,
            taken=counted,
            expected=expected,
        )


def _folders(*wanted: Path) -> Iterator[Folder]:
    """Each file system once."""
    seen: set[int] = set()
    for path in wanted:
        try:
            device = path.stat().st_dev
            if device not in seen:
                seen.add(device)
                yield Folder(str(path), shutil.disk_usage(path).free)
        except OSError:
            continue  # a backup folder that is not there shows as a backup that failed


def _newest_backup(folder: Path, store: Path, now: datetime) -> datetime | None:
    try:
        found = backups.every(folder, store)
    except BackupError:
        return None
    # One of a time to come was made by a clock that was ahead: nobody can tell when.
    return max((one.made_at for one in found if one.made_at <= now + CLOCKS_APART), default=None)

"""When something is worth a notice: pure functions from the situation, as values, to notices."""

from collections.abc import Iterator
from dataclasses import dataclass
from datetime import datetime, timedelta
from decimal import Decimal

from collector.numbers.levels import is_very_high
from collector.numbers.words import NOT_A_DIAGNOSIS, WAIT_MINUTES
from collector.service.notices.notice import Notice
from collector.share.text.reading_text import pressures_text, value_text
from collector.store.conditions import ServiceCondition

BACKUP_LATE = timedelta(hours=36)
"""A daily backup that missed its turn, with room for a machine that was off over night."""
PASSING = timedelta(minutes=10)
"""What the service tells of itself often passes by itself: a clock not set yet, a bluetoothd that starts again."""
AT_ONCE = frozenset({"backup", "integrity"})
VERY_HIGH_FOR = timedelta(hours=24)
"""How long a very high reading is news. An older one belongs to the report."""


@dataclass(frozen=True, slots=True)
class CuffNow:
    """What is known of a cuff. clock_ahead_s: None where its clock was not read or shows no time."""

    address: str
    name: str  # given by its owner, else the address
    readings: int
    last_visit: datetime | None
    battery: int | None = None  # percent
    clock_ahead_s: float | None = None
    bond_missing_on: str | None = None  # 'ours', 'cuff'
    bond_renewed: str | None = None  # not confirmed: what it brought is 'held' or 'counts'
    never_delivered: tuple[str, str] | None = None  # what is so, what mends it


@dataclass(frozen=True, slots=True)
class Taken:
    """A reading, as far as notices are concerned. Pressures in mmHg."""

    reading_id: str
    cuff: str
    slot: int | None
    person: str | None
    systolic: Decimal | None
    diastolic: Decimal | None
    taken_at: datetime
    unconfirmed: bool = False  # it may be another cuff's: nobody has confirmed the bond it came over


@dataclass(frozen=True, slots=True)
class SeriesUnderWay:
    """A series that somebody takes by a protocol. expected: readings that the plan has had until now."""

    person: str
    subject: str  # names the series without naming the person
    protocol: str
    taken: int
    expected: int


@dataclass(frozen=True, slots=True)
class Folder:
    """A folder that has to take what is written. free: bytes."""

    path: str
    free: int


@dataclass(frozen=True, slots=True)
class Situation:
    """All that the rules look at. newest_backup: None where there is none; since: of the oldest payload."""

    now: datetime
    cuffs: tuple[CuffNow, ...] = ()
    recent: tuple[Taken, ...] = ()  # of the last day; by a clock years ahead since the day before that began
    series: tuple[SeriesUnderWay, ...] = ()
    folders: tuple[Folder, ...] = ()
    backups_wanted: bool = False
    newest_backup: datetime | None = None
    since: datetime | None = None
    conditions: tuple[ServiceCondition, ...] = ()
    doubted: bool = False  # this machine's clock is: how long ago anything was, nobody can tell


@dataclass(frozen=True, slots=True)
class Limits:
    """Where the rules draw the line, from the configuration."""

    cuff_silent_days: int = 14
    battery_below: int = 20
    clock_off_min: int = 10
    disk_free_mb: int = 200
    very_high: bool = True
    series: bool = True
    emergency_number: str = ""


def standing(now: Situation, limits: Limits) -> tuple[Notice, ...]:
    """Every notice that stands in this situation, each key once."""
    found: dict[str, Notice] = {}
    for notices in (
        _very_high(now, limits),
        _cuffs(now, limits),
        () if now.doubted else _short_series(now, limits),
        _disk(now, limits),
        () if now.doubted else _backup(now),
        _conditions(now),
    ):
        for notice in notices:
            found.setdefault(notice.key, notice)
    return tuple(found.values())


def _very_high(now: Situation, limits: Limits) -> Iterator[Notice]:
    """The newest reading of a cuff's slot decides: one that was measured again and lower ends it.

    What came over a bond that nobody has confirmed is told apart, and ends nothing.
    """
    newest: dict[tuple[str, int | None, bool], Taken] = {}
    for reading in sorted(now.recent, key=lambda reading: reading.taken_at.timestamp()):
        is_news = now.doubted or reading.taken_at > now.now - VERY_HIGH_FOR
        if (reading.systolic or reading.diastolic) and is_news:
            newest[reading.cuff, reading.slot, reading.unconfirmed] = reading
    for (cuff, slot, unconfirmed), reading in newest.items():
        if not limits.very_high or not is_very_high(reading.systolic, reading.diastolic):
            continue
        person = None if unconfirmed else reading.person
        who = "perhaps another cuff's, its bond is not confirmed" if unconfirmed else person or "nobody's yet"
        subject = cuff if slot is None else f"{cuff}-{slot}"
        emergency = f"call {limits.emergency_number or 'the local emergency number'} at once"
        value = f"{pressures_text(reading.systolic, reading.diastolic)} mmHg"
        yield Notice(
            topic="very high",
            subject=f"{subject}-unconfirmed" if unconfirmed else subject,
            text="a very high reading came" + (" over a bond that is not confirmed" if unconfirmed else ""),
            remedy=f"sit quietly for {WAIT_MINUTES} minutes and measure again. Still as high? Call the clinic today. "
            f"With chest pain, breathlessness, weakness, trouble speaking or seeing: {emergency}. {NOT_A_DIAGNOSIS}",
            personal=f"a very high reading came ({who}): {value}, taken {reading.taken_at.isoformat(' ', 'minutes')}",
            detail={
                "reading_id": reading.reading_id,
                "person": person,
                "systolic": value_text(reading.systolic),
                "diastolic": value_text(reading.diastolic),
                "unit": "mmHg",
                "taken_at": reading.taken_at.isoformat(),
            },
        )


def _cuffs(now: Situation, limits: Limits) -> Iterator[Notice]:
    for cuff in now.cuffs:
        if cuff.bond_missing_on:
            side = "the cuff" if cuff.bond_missing_on == "cuff" else "this machine"
            yield Notice(
                "bond",
                cuff.address,
                f"{cuff.name}: {side} has lost the bond, so it cannot be read",
                f"bluetoothctl remove {cuff.address}, then let the cuff pair again",
            )
        if cuff.bond_renewed:
            kept = "counts nowhere until you confirm it" if cuff.bond_renewed == "held" else "is marked 'bond renewed'"
            yield Notice(
                "bond renewed",
                cuff.address,
                f"{cuff.name}: its bond was lost and made anew, by the cuff or by another with its address; what it "
                f"sent since {kept}",
                f"new batteries, or paired with a phone meanwhile? Then quietcuff cuff confirm {cuff.address}; else "
                "look at those readings first",
            )
        if cuff.never_delivered:
            text, remedy = cuff.never_delivered
            yield Notice("delivers nothing", cuff.address, f"{cuff.name}: {text}", remedy)
        if cuff.battery is not None and cuff.battery < limits.battery_below:
            yield Notice(
                "battery",
                cuff.address,
                f"{cuff.name}: its battery is at {cuff.battery} %",
                "put new batteries in, then look at the cuff's clock",
            )
        if cuff.clock_ahead_s is not None and abs(cuff.clock_ahead_s) >= limits.clock_off_min * 60:
            ahead = "ahead" if cuff.clock_ahead_s > 0 else "behind"
            yield Notice(
                "clock",
                cuff.address,
                f"{cuff.name}: its clock is {_span(abs(cuff.clock_ahead_s))} {ahead}; readings are put right, "
                "its display is not",
                'set it by its buttons, or let visits do it: set_clock = "when wrong" under [radio]',
            )
        silent = now.now - cuff.last_visit if cuff.last_visit and not now.doubted else timedelta()
        if limits.cuff_silent_days and cuff.readings and silent >= timedelta(days=limits.cuff_silent_days):
            yield Notice(
                "silent",
                cuff.address,
                f"{cuff.name} was not heard from for {silent.days} days",
                "take a measurement beside this machine; a cuff that is gone for good: "
                f"quietcuff cuff forget {cuff.address}",
            )


def _short_series(now: Situation, limits: Limits) -> Iterator[Notice]:
    for series in now.series if limits.series else ():
        if series.taken < series.expected:
            missing = series.expected - series.taken
            yield Notice(
                topic="series",
                subject=series.subject,
                text="a series of measurements falls short of its plan",
                remedy="measure as planned; `quietcuff average` says what is short",
                personal=f"{series.person}: {series.taken} of the {series.expected} readings that {series.protocol} "
                f"asks for by now, {missing} short",
                detail={
                    "person": series.person,
                    "protocol": series.protocol,
                    "taken": series.taken,
                    "expected": series.expected,
                },
            )


def _disk(now: Situation, limits: Limits) -> Iterator[Notice]:
    for folder in now.folders:
        if folder.free < limits.disk_free_mb * 10**6:
            yield Notice(
                "disk",
                folder.path,
                f"{folder.free // 10**6} MB are free at {folder.path}",
                "free some space; until then new readings may not fit",
            )


def _backup(now: Situation) -> Iterator[Notice]:
    if not now.backups_wanted or now.since is None:
        return
    last = now.newest_backup or now.since
    if now.now - last >= BACKUP_LATE:
        what = (
            f"the newest backup is {_span((now.now - last).total_seconds())} old"
            if now.newest_backup
            else "there is no backup of the store yet"
        )
        yield Notice("backup late", "", what, "`quietcuff backup now` makes one, or says what is in the way")


def _conditions(now: Situation) -> Iterator[Notice]:
    for condition in now.conditions:
        if condition.topic in AT_ONCE or now.now - condition.since >= PASSING:
            what, _, remedy = condition.text.partition("; ")
            yield Notice("service", condition.topic, what, remedy or "quietcuff check tells more")


def _span(seconds: float) -> str:
    """A span of time in its one fitting unit."""
    for unit, length in (("years", 365 * 86400), ("days", 86400), ("hours", 3600), ("minutes", 60)):
        if seconds >= 2 * length:
            return f"{seconds // length:.0f} {unit}"
    return f"{seconds:.0f} seconds"

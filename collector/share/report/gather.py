"""Gathers from the store what a report shows of one person, and of nobody else."""

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from datetime import UTC, date, datetime, time, timedelta

from collector.numbers.average import Average
from collector.numbers.change import Change, change
from collector.numbers.levels import LOW
from collector.numbers.overview import KnownOfPerson, overview
from collector.numbers.rules import Plan, Protocol
from collector.numbers.trend import trend
from collector.numbers.values import Sample
from collector.share.report.cuff_clocks import by_cuff, clock_line
from collector.share.report.data import CuffLine, RegimenChange, ReportData
from collector.share.samples import known
from collector.share.text.findings import log_remarks
from collector.share.text.layout import counted
from collector.share.text.preparation import summary
from collector.store import readings
from collector.store.database import Store
from collector.store.journal import cuffs
from collector.store.people import notes, sittings
from collector.store.values import Reading, Selection

BACK = timedelta(days=182)
"""How far before the end of the averaged days the plot reaches unless asked otherwise: half a year."""


@dataclass(frozen=True, slots=True)
class WantedReport:
    """What the report is to be. person: as the store writes the name. first, last: the averaged days, else the most
    recent series. since: first day of the plot. who: what the page calls the person."""

    person: str
    protocol: Protocol
    plan: Plan
    first: date | None = None
    last: date | None = None
    since: date | None = None
    who: str = ""
    emergency: str = ""
    place: str = ""


@dataclass(frozen=True, slots=True)
class _Fetched:
    """Of the store. names: of cuffs, by address."""

    readings: tuple[Reading, ...]
    known: KnownOfPerson
    regimen: tuple[notes.Note, ...]
    guided: tuple[sittings.KeptSitting, ...]
    names: dict[str, str]


def gather(store: Store, wanted: WantedReport, now: datetime) -> ReportData:
    """now: aware. Raises StoreError for nobody of that name."""
    return report_data(_fetch(store, wanted), wanted, now)


def _fetch(store: Store, wanted: WantedReport) -> _Fetched:
    found = tuple(readings.select(store, Selection(person=wanted.person, until=_until(wanted.last))))
    return _Fetched(
        readings=found,
        known=known(store, wanted.person, found),
        regimen=tuple(notes.every(store, wanted.person, notes.REGIMEN)),
        guided=tuple(sittings.every(store, wanted.person)),
        names={cuff.address: cuff.name for cuff in cuffs.every(store, forgotten=True) if cuff.name},
    )


def report_data(fetched: _Fetched, wanted: WantedReport, now: datetime) -> ReportData:
    samples = fetched.known.samples
    found = overview(fetched.known, wanted.protocol, wanted.plan, wanted.first, wanted.last)
    averaged = found.average
    begin, end = _plotted(averaged, wanted, samples)
    shown = tuple(one for one in samples if begin <= one.taken_at.date() <= end)
    noted = [note for note in fetched.regimen if note.day <= end]
    return ReportData(
        who=wanted.who or wanted.person,
        average=averaged,
        samples=shown,
        trend=trend(shown, wanted.protocol, wanted.plan),
        made_at=now.astimezone(fetched.readings[-1].taken_at.tzinfo if fetched.readings else None),
        office=found.office,
        log_remarks=tuple(log_remarks(found.since_dose, found.log)),
        change=_change(samples, noted, begin, wanted),
        notes=tuple(RegimenChange(note.day, note.text) for note in noted if note.day >= begin),
        cuffs=tuple(_cuffs(fetched, averaged)),
        preparation=_preparation(fetched.guided, averaged),
        emergency=wanted.emergency,
        low=wanted.plan.low or LOW,
        very_high=found.very_high,
        lows=found.low,
        place=wanted.place,
    )


def _plotted(averaged: Average, wanted: WantedReport, samples: Sequence[Sample]) -> tuple[date, date]:
    """First and last day of the plot."""
    today = samples[-1].taken_at.date() if samples else date.min
    end = averaged.last or wanted.last or today
    begin = wanted.since or end - min(BACK, end - date.min)
    # A reading at half past midnight is of the evening before, but has the next day's date.
    return min(begin, averaged.first or begin), end + timedelta(1) if end < date.max else end


def _change(samples: Sequence[Sample], noted: list[notes.Note], begin: date, wanted: WantedReport) -> Change | None:
    """Of the last noted change, where the plot shows it."""
    if not noted or noted[-1].day < begin:
        return None
    day = noted[-1].day
    return change(
        samples, day, wanted.protocol, wanted.plan, other_changes=[note.day for note in noted if note.day != day]
    )


def _cuffs(fetched: _Fetched, averaged: Average) -> Iterator[CuffLine]:
    own = averaged.period_ids
    for address, some in by_cuff(reading for reading in fetched.readings if reading.reading_id in own).items():
        name = "Log" if address == cuffs.HAND else fetched.names.get(address) or address
        yield CuffLine(name, f"{counted(len(some), 'reading')}; {clock_line(some)}")


def _preparation(guided: Sequence[sittings.KeptSitting], averaged: Average) -> str:
    """Of the sittings whose readings the average saw."""
    own = averaged.period_ids
    return summary([sitting.prepared for sitting in guided if own.intersection(sitting.reading_ids)])


def _until(last: date | None) -> datetime | None:
    if last is None or last >= date.max - timedelta(3):
        return None
    return datetime.combine(last, time(), UTC) + timedelta(3)

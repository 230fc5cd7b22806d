"""Takes readings of an export of ours into a store: each that is not there, as it was."""

import hashlib
from collections.abc import Callable, Iterable, Iterator, Mapping, Set
from dataclasses import dataclass, replace
from datetime import datetime
from itertools import count

from collector.intake.sources import own_export
from collector.intake.twins import numbered
from collector.store import audit, journal, people, readings
from collector.store.database import Store
from collector.store.instants import to_us
from collector.store.journal import stations, visit_facts, visits
from collector.store.journal.cuffs import HAND
from collector.store.namesakes import as_a_name, folded
from collector.store.readings import claims, copies, corrections, strikes, write
from collector.store.readings.copies import ALWAYS
from collector.store.values import CORRECTED, OVERTAKEN, STRIKES, Progress, Reading
from parsers.stamps import build_current_time, build_date_time
from parsers.uuids import Uuid


@dataclass(frozen=True, slots=True)
class BroughtBack:
    """people: who was new here. cuffs: of the readings that are new, by address."""

    new: int
    there: int
    people: tuple[str, ...]
    cuffs: frozenset[str]


def bring_back(
    store: Store,
    found: Iterable[Reading],
    at: datetime,
    progress: Progress | None = None,
    station: Callable[[], str | None] = lambda: None,
) -> BroughtBack:
    """All or nothing. station: hex name of the one that received the reading just handed out. Afterwards call
    `derive_cuff` of each cuff that anything came of.

    Whoever a reading belongs to is added where he or she is not known. Raises StoreError, and whatever the
    readings raise.
    """
    new = there = 0
    cuffs: set[str] = set()
    brought: dict[str, str | None] = {}
    notes: dict[str, str] = {}  # of what corrects those brought before: there, and here
    standing_in: set[str | None] = set()  # notes of corrections that hold
    struck: list[Reading] = []
    rows: dict[str, int] = {}
    fresh: list[str] = []
    owned: list[tuple[int, int]] = []
    stations_by_name: dict[str | None, int | None] = {None: None}
    with store.transaction():
        taken_from = claims.taken_from(store)
        for reading in _as_called_here(store, found):
            if reading.cuff == HAND:
                there_as = corrections.note_of(reading.reading_id)
                reading = replace(reading, note=notes.get(reading.note or "", reading.note))
                reading = _as_told_here(store, reading, brought, taken_from)
                brought[reading.reading_id] = _line_of(reading)
                notes[there_as] = corrections.note_of(reading.reading_id)
                if OVERTAKEN not in reading.marks:
                    standing_in.add(reading.note)
            if write.row_of(store, reading.reading_id) is not None:
                if STRIKES.intersection(reading.marks):
                    struck.append(reading)
                there += 1
                continue
            if (name := station()) not in stations_by_name:
                stations_by_name[name] = stations.row_of(store, bytes.fromhex(name or ""))
            value = own_export.build(reading)
            appended = journal.append(
                store,
                cuff=reading.cuff,
                characteristic=own_export.IMPORTED_CHARACTERISTIC,
                value=value,
                arrived_at=reading.received_at,
                source="import",
                station=stations_by_name[name],
                mark=f"import {hashlib.sha256(value).hexdigest()}",
            )
            if not appended.new:
                there += 1
                continue
            new += 1
            cuffs.add(reading.cuff)
            if reading.person is not None:
                if reading.person not in rows:
                    known = people.find(store, reading.person)
                    if known is None:
                        known = people.add(store, reading.person, at)
                        fresh.append(known.name)
                    rows[reading.person] = known.row
                owned.append((appended.payload, rows[reading.person]))
            if progress:
                progress(new, 0)
        claims.claim_payloads(store, owned)
        for reading in struck:
            if CORRECTED not in reading.marks or corrections.note_of(reading.reading_id) in standing_in:
                strikes.take_over(store, reading)
        strikes.mark_struck(store)
        corrections.mark(store)
        if struck:
            copies.mark(store, ALWAYS)
        if new:
            audit.record(store, at, "readings imported", {"readings": new, "there already": there})
    return BroughtBack(new, there, tuple(fresh), frozenset(cuffs))


def _as_called_here(store: Store, found: Iterable[Reading]) -> Iterator[Reading]:
    """Namesakes of another station come with its handles: whom they do not name here would have the name that a person
    has who comes by a merge later, and whoever is sent both would take the two for one."""
    names: dict[str, str] = {}
    for reading in found:
        if (called := reading.person) is not None and called not in names:
            plain = as_a_name(called)
            names[called] = called if plain == called or people.find(store, called) else plain
        named = None if called is None else names[called]
        yield reading if named == called else replace(reading, person=named)


def _as_told_here(
    store: Store, reading: Reading, brought: Mapping[str, str | None], taken_from: Mapping[str, Set[str]]
) -> Reading:
    """Written by hand and alike, two people's readings of one minute have one id where they were taken in apart: the
    one that comes in gets the next that is nobody else's. What came in at the very same instant is the same reading,
    whoever owns it by now, and so is what somebody took from its owner here. brought: whose line the readings are that
    were brought before, by id. taken_from: as `claims.taken_from`."""
    told = reading
    for number in count():
        here = readings.those(store, [told.reading_id]).get(told.reading_id)
        line = _line_of(here) if here else brought.get(told.reading_id)
        if line is None or reading.person is None or line == _line_of(reading):
            break
        if here and here.received_at == reading.received_at:
            break
        if here and {folded(reading.person), claims.NOBODYS}.intersection(taken_from.get(told.reading_id, ())):
            break
        told = numbered(reading, number)
    return told


def _line_of(reading: Reading) -> str | None:
    return None if reading.person is None else corrections.line_of(folded(reading.person), reading.note)


@dataclass(frozen=True, slots=True)
class ImportedClockReading:
    """Where a cuff's clock stood. cuff_clock: wall time, None where it showed none; station: hex name."""

    cuff: str
    at: datetime
    cuff_clock: datetime | None
    station: str | None


def bring_back_clock_readings(store: Store, found: Iterable[ImportedClockReading]) -> set[str]:
    """Each that is not there, as a visit of its own; returns the cuffs of which any was new."""
    cuffs: set[str] = set()
    with store.transaction():
        for one in found:
            when = to_us(one.at)
            if visit_facts.was_read_at(store, one.cuff, when):
                continue
            row = stations.row_of(store, bytes.fromhex(one.station)) if one.station else store.own_station
            known = stations.zone_at(store, one.at, row) or stations.zone_at(store, one.at, store.own_station)
            zone = own_export.zone_like(one.at, known or "UTC")
            stations.set_zone(store, zone, one.at, row)
            visit = visits.past_visit(store, one.cuff, row, one.at)
            shown = bytes(7) if one.cuff_clock is None else build_date_time(one.cuff_clock)
            kind = Uuid.DATE_TIME
            if one.cuff_clock is not None and one.cuff_clock.microsecond:
                parts = round(one.cuff_clock.microsecond * 256 / 1_000_000)
                shown, kind = build_current_time(one.cuff_clock, parts), Uuid.CURRENT_TIME
            visits.learn_value(store, visit, kind, shown, one.at)
            cuffs.add(one.cuff)
    return cuffs


def bring_back_facts(store: Store, cuff: str, values: Mapping[int, bytes], at: datetime) -> bool:
    """What a cuff said of itself, by characteristic, where that is not known; returns whether any was new."""
    known = visits.values_of(store, cuff)
    news = {characteristic: value for characteristic, value in values.items() if characteristic not in known}
    if news:
        with store.transaction():
            visit = visits.past_visit(store, cuff, store.own_station, at)
            for characteristic, value in news.items():
                visits.learn_value(store, visit, characteristic, value, at)
    return bool(news)

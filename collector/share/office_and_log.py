"""Visits and noted doses of the store as the numbers take them, and what a hand-written log tells by its digits."""

from collections.abc import Iterator, Sequence
from datetime import datetime
from decimal import Decimal

from collector.numbers.average import Average
from collector.numbers.log_digits import copied, last_digits
from collector.numbers.office_home import Office, Visit, against_home, visits_that_count
from collector.numbers.rules import Condition
from collector.numbers.series_remarks import SinceDose, dose_before, since_dose
from collector.numbers.sittings import sittings
from collector.numbers.values import Pressures, Sample, Source, rounded_text
from collector.share.text.findings import Row
from collector.share.text.findings import log_remarks as rows
from collector.store.database import Store
from collector.store.people import notes
from collector.store.people import office_visits as visits_kept
from collector.store.people.notes import Note


def office_visits(store: Store, person: str) -> list[Visit]:
    """All visits of a person. Raises StoreError."""
    return [Visit(one.day, pressures(one.readings)) for one in visits_kept.every(store, person)]


def pressures(readings: Sequence[tuple[Decimal, Decimal]]) -> tuple[Pressures, ...]:
    return tuple(Pressures(systolic, diastolic) for systolic, diastolic in readings)


def office_against(visits: Sequence[Visit], found: Average) -> Office | None:
    """The visits that count, against this average; not compared where it is not valid, or with atrial fibrillation."""
    chosen = visits_that_count(visits, found.first, found.last)
    compared = found.valid and Condition.ATRIAL_FIBRILLATION not in found.conditions
    return against_home(chosen, found.usual if compared else None, found.mean if compared else None, found.threshold)


def log_remarks(found: Average, samples: Sequence[Sample]) -> Iterator[Row]:
    """Of the lines written by hand in the averaged period."""
    own = {*found.used_ids, *(name for name, _ in found.excluded)}
    written = [one for one in samples if one.source is Source.HAND and one.reading_id in own]
    if not written:
        return
    values = [value for one in written for value in (one.systolic, one.diastolic) if value is not None]
    groups = [one.samples for one in sittings(written, found.protocol)]
    yield from rows(last_digits(values), copied(groups), len(groups))


def last_dose(store: Store, person: str, found: Average, samples: Sequence[Sample]) -> SinceDose | None:
    """Of the readings that are averaged. Raises StoreError."""
    used = set(found.used_ids)
    return since_dose([one for one in samples if one.reading_id in used], list(_doses(store, person)))


def _doses(store: Store, person: str) -> dict[datetime, Note]:
    found = {}
    for note in notes.every(store, person, notes.DOSE):
        if (at := notes.dose_time(note.text)) is not None:  # another station's note may be anything
            found[datetime.combine(note.day, at)] = note
    return found


def dose_now(store: Store, person: str, wall: datetime) -> tuple[Note, str] | None:
    """The last noted dose before this moment, and how long ago it was, in words. Raises StoreError."""
    doses = _doses(store, person)
    last = dose_before(wall, list(doses))
    if last is None:
        return None
    note = doses[last[0]]
    return note, f"Last noted dose at {note.text}, {rounded_text(last[1])} hours ago"


def dose_rows(since: SinceDose | None) -> Iterator[Row]:
    if since:
        some = f"{since.readings} of {since.of} readings"
        yield (
            "Since the dose",
            f"taken {rounded_text(since.median_h)} hours after the last noted dose, median of {some}",
        )

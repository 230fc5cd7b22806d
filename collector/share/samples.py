"""What the store holds of a person as the numbers take it: readings in mmHg, visits to the office, noted doses."""

from collections.abc import Iterable, Iterator, Sequence
from datetime import datetime
from decimal import Decimal

from collector.numbers.office_home import OfficeReadings
from collector.numbers.overview import KnownOfPerson
from collector.numbers.series_remarks import dose_before
from collector.numbers.values import Pressures, Sample, WrittenBy, rounded_text
from collector.store.database import Store
from collector.store.people import notes
from collector.store.people import office_visits as visits_kept
from collector.store.people.notes import Note
from collector.store.values import NOTED_AGAIN, STANDING, VOID_MARKS, Basis, Reading, exact_mmhg

CERTAIN_WITHIN_S = 1800.0
"""A time that may be off by more can put a reading into another session. A choice of this project, no source."""

DOUBTS = frozenset({"station clock unsure", "stamps run backwards", "stamp fits no clock", "stamp in the future"})
"""Marks that say so, whatever else is known."""


def sample(reading: Reading) -> Sample:
    """The reading with its pressures in mmHg, exactly: a kPa value is multiplied and not rounded.

    Its time stays in the zone of the station it came to: that wall clock says which day and session it is of.
    """
    void = VOID_MARKS.intersection(reading.marks)
    return Sample(
        reading.reading_id,
        reading.taken_at,
        exact_mmhg(reading.systolic, reading.unit),
        exact_mmhg(reading.diastolic, reading.unit),
        pulse=reading.pulse,
        status=frozenset(reading.status),
        certain_time=has_certain_time(reading),
        mean=exact_mmhg(reading.mean, reading.unit),
        source=WrittenBy.HAND if reading.taken_basis is Basis.HAND else WrittenBy.CUFF,
        void=", ".join(sorted(void)),
        upright=void == {STANDING},
        noted_again=bool(void & NOTED_AGAIN),
    )


def known(store: Store, person: str, found: Iterable[Reading]) -> KnownOfPerson:
    """All of a person, of whose readings these are wanted. Raises StoreError."""
    visits = tuple(OfficeReadings(one.day, pressures(one.readings)) for one in visits_kept.every(store, person))
    return KnownOfPerson(tuple(samples(found)), visits, tuple(_doses(store, person)))


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


def pressures(readings: Sequence[tuple[Decimal, Decimal]]) -> tuple[Pressures, ...]:
    return tuple(Pressures(systolic, diastolic) for systolic, diastolic in readings)


def samples(readings: Iterable[Reading]) -> Iterator[Sample]:
    """One at a time, in the order they come."""
    return map(sample, readings)


def has_certain_time(reading: Reading) -> bool:
    """Whether day and session can be told from its time.

    A known uncertainty decides. Where nobody can tell it, a stamp put right by a reading of the cuff's clock is taken
    for certain (else no backlog of a first visit would be); the cuff's word alone, and the arrival, are not.
    """
    if DOUBTS.intersection(reading.marks):
        return False
    if reading.taken_uncertainty_s is not None:
        return reading.taken_uncertainty_s <= CERTAIN_WITHIN_S
    return reading.taken_basis in (Basis.CORRECTED, Basis.ESTIMATED, Basis.HAND)

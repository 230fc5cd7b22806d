"""A reading put right by a person: as it came it counts no longer, a hand-written one stands in its place."""

from dataclasses import dataclass
from datetime import datetime
from decimal import Decimal

from collector.intake.sources.hand_log import HandRow, correction_twin
from collector.intake.take_log import read_line, take_log
from collector.store import readings
from collector.store.acceptable import time_problem
from collector.store.database import Store
from collector.store.errors import RefusedByStore
from collector.store.instants import to_us
from collector.store.readings import copies, corrections, strikes, write
from collector.store.readings.copies import Stretch
from collector.store.values import COPIES, CORRECTED, exact_mmhg
from parsers import plausible

_TENTH = Decimal("0.1")


@dataclass(frozen=True, slots=True)
class Correction:
    """What it should have been; None where it is right. mmHg, beats per minute; taken_at aware."""

    systolic: Decimal | None = None
    diastolic: Decimal | None = None
    pulse: Decimal | None = None
    taken_at: datetime | None = None


def correct_reading(store: Store, reading_id: str, said: Correction, at: datetime) -> str:
    """Returns the id of the reading that stands in its place. Raises StoreError, also for a slip of the pen: what
    is said is implausible, and what stood there was not."""
    if said.taken_at is not None and (
        problem := "has not come yet" if said.taken_at > at else time_problem(said.taken_at)
    ):
        raise RefusedByStore(f"the time {said.taken_at.isoformat()} {problem}")
    with store.transaction():
        was = strikes.strike(store, reading_id, at, CORRECTED)
        if held := COPIES.intersection(was.marks):
            raise RefusedByStore(
                f"reading {was.reading_id} is marked '{min(held)}': the other one of that time counts, correct that"
            )
        stood = (_mmhg(was.systolic, was.unit), _mmhg(was.diastolic, was.unit), was.pulse)
        systolic, diastolic, pulse = said.systolic or stood[0], said.diastolic or stood[1], said.pulse or stood[2]
        if systolic is None or diastolic is None:
            raise RefusedByStore(f"reading {was.reading_id} holds no such value: give both, --systolic and --diastolic")
        before = plausible.marks(*stood)
        slips = [mark for mark in plausible.marks(systolic, diastolic, pulse) if mark not in before]
        if slips:
            raise RefusedByStore(f"reading {was.reading_id} stays as it is: {'; '.join(slips)}")
        note = corrections.note_of(was.reading_id)
        row = HandRow(
            taken_at=said.taken_at or was.taken_at,
            systolic=systolic,
            diastolic=diastolic,
            pulse=pulse,
            person=was.person,
            note=note,
            twin=correction_twin(note, pulse),
            as_was=said.taken_at is None,
            of=corrections.payload_of(store, was.reading_id),
        )
        while write.row_of(store, instead := read_line(row)[0]) is not None:
            row = row._replace(twin=row.twin + 1)
        take_log(store, [row], corrections.after_all(store, was.reading_id, at))
        corrections.mark(store)
        minute = to_us(row.taken_at)
        copies.mark(store, Stretch(minute, minute))  # a line that says the same, taken in before, counts no longer
    return instead


def take_back_correction(store: Store, reading_id: str, at: datetime) -> None:
    """The reading counts as it came; the one in its place counts no longer. Raises StoreError where there is none."""
    with store.transaction():
        was = readings.get(store, reading_id)
        if CORRECTED not in was.marks:
            raise RefusedByStore(f"reading {was.reading_id} was not corrected")
        strikes.undo(store, was.reading_id, at, corrected=True)


def _mmhg(value: Decimal | None, unit: str) -> Decimal | None:
    exact = exact_mmhg(value, unit)
    return exact if exact is None or unit == "mmHg" else exact.quantize(_TENTH)

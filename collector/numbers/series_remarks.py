"""What is worth saying of a series besides its mean: pulse flags, falls within a sitting, load, implausible values,
hours since the last dose."""

from bisect import bisect_right
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from itertools import pairwise
from statistics import median

from collector.numbers import descriptive
from collector.numbers.rules import Protocol
from collector.numbers.selecting import Counted, Selected, has_value
from collector.numbers.values import Irregular, Load, Pair, Pressures, Sample
from parsers import plausible


def irregular(chosen: Selected) -> Irregular:
    """Over all readings with a value that are not struck out: a flag tells of the person, also on a day left out."""
    marked = [
        (sitting.day, number)
        for number, sitting in enumerate(chosen.sittings)
        for sample in sitting.samples
        if has_value(sample) and sample.tells and "irregular pulse" in sample.status
    ]
    days = {day for day, _ in marked}
    in_sitting = [number for _, number in marked]
    return Irregular(
        len(marked),
        sum(has_value(one) and one.tells for one in chosen.taken),
        len(days),
        len(days) >= 2 or any(in_sitting.count(number) >= 2 for number in set(in_sitting)),
    )


def first_to_second(chosen: Selected, rules: Protocol) -> Pair | None:
    falls = []
    usable = {one.sample.reading_id for one in chosen.usable}
    for sitting in chosen.sittings:
        two = sitting.taken[:2]
        if chosen.numbers.get(sitting.day) in rules.drop_days or len(two) < 2:
            continue
        (s1, d1), (s2, d2) = ((one.systolic, one.diastolic) for one in two)
        if all(one.reading_id in usable for one in two) and s1 and s2 and d1 and d2:
            falls.append((float(s1 - s2), float(d1 - d2)))
    return Pair(*map(descriptive.mean, zip(*falls, strict=True))) if falls else None


def load(used: Sequence[Counted], threshold: Pressures) -> Load:
    systolic = [one.systolic >= threshold.systolic for one in used]
    diastolic = [one.diastolic >= threshold.diastolic for one in used]
    return Load(
        systolic=sum(systolic),
        diastolic=sum(diastolic),
        either=sum(a or b for a, b in zip(systolic, diastolic, strict=True)),
        of=len(used),
        last_ten=sum(systolic[-10:]) if len(used) >= 10 else None,
    )


def implausible(taken: Sequence[Sample]) -> tuple[tuple[str, str], ...]:
    return tuple(
        (one.reading_id, mark) for one in taken for mark in plausible.marks(one.systolic, one.diastolic, one.pulse)
    )


def sooner_than_asked(chosen: Selected, rules: Protocol) -> int:
    pauses = [
        (after.taken_at.astimezone(UTC) - before.taken_at.astimezone(UTC)).total_seconds()
        for sitting in chosen.sittings
        for before, after in pairwise(sitting.taken)
        if not after.upright
    ]
    return sum(pause < rules.gap_s for pause in pauses)


DOSE_WITHIN = timedelta(hours=36)
"""A dose noted longer before says nothing: more were taken and not noted. A choice of this project, no source."""


@dataclass(frozen=True, slots=True)
class SinceDose:
    """Hours from the last noted dose to the readings that have one: the median, and how many of how many."""

    median_h: float
    readings: int
    of: int


def since_dose(used: Sequence[Sample], doses: Sequence[datetime]) -> SinceDose | None:
    """doses: wall clock where the person was, without a zone. None where none was noted in time before a reading."""
    found = [dose_before(one.taken_at, doses) for one in used]
    hours = [dose[1] for dose in found if dose]
    return SinceDose(median(hours), len(hours), len(used)) if hours else None


def dose_before(moment: datetime, doses: Sequence[datetime]) -> tuple[datetime, float] | None:
    """The last dose noted before a moment, on the same wall clock, and the hours since; None for one of long ago."""
    walls = sorted(doses)
    before = bisect_right(walls, moment.replace(tzinfo=None))
    if not before:
        return None
    since = moment.astimezone(UTC) - walls[before - 1].replace(tzinfo=moment.tzinfo).astimezone(UTC)
    return (walls[before - 1], since / timedelta(hours=1)) if timedelta() <= since <= DOSE_WITHIN else None

"""All that is reckoned of a person at once: the average, and what is told beside it."""

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date, datetime

from collector.numbers.average import Average, average
from collector.numbers.levels import LOW, is_low, is_very_high
from collector.numbers.log_digits import Digits, copied, last_digits
from collector.numbers.medical_condition import MedicalCondition
from collector.numbers.office_home import Office, OfficeReadings, against_home, visits_that_count
from collector.numbers.rules import Plan, Protocol
from collector.numbers.series_remarks import SinceDose, since_dose
from collector.numbers.sittings import sittings
from collector.numbers.values import Pressures, Sample, SpreadOf, WrittenBy


@dataclass(frozen=True, slots=True)
class KnownOfPerson:
    """Of one person: readings in mmHg, visits to the office, noted doses (wall clock, without zone)."""

    samples: tuple[Sample, ...]
    visits: tuple[OfficeReadings, ...] = ()
    doses: tuple[datetime, ...] = ()


@dataclass(frozen=True, slots=True)
class LogDigits:
    """Of lines written by hand. copied: sittings whose second reading is the first again."""

    digits: Digits | None
    copied: int
    sittings: int


@dataclass(frozen=True, slots=True)
class Overview:
    """very_high, low: readings of the averaged period; implausible ones and those struck out are neither."""

    average: Average
    office: Office | None
    since_dose: SinceDose | None
    log: LogDigits | None
    very_high: tuple[Sample, ...]
    low: tuple[Sample, ...]


def overview(
    known: KnownOfPerson,
    protocol: Protocol,
    plan: Plan,
    first: date | None = None,
    last: date | None = None,
    spread: SpreadOf = SpreadOf.DAYS,
) -> Overview:
    """first, last: the averaged days, else the most recent series."""
    found = average(known.samples, protocol, plan, first, last, spread)
    used, period = set(found.used_ids), found.period_ids
    own = [one for one in known.samples if one.reading_id in period]
    very_high, low = outstanding(own, found, plan.low)
    return Overview(
        average=found,
        office=office_against(known.visits, found),
        since_dose=since_dose([one for one in own if one.reading_id in used], known.doses),
        log=_log(own, found),
        very_high=very_high,
        low=low,
    )


def office_against(visits: Sequence[OfficeReadings], found: Average) -> Office | None:
    """The visits that count, against this average; not compared where it is not valid, or with atrial fibrillation."""
    chosen = visits_that_count(visits, found.first, found.last)
    compared = found.valid and MedicalCondition.ATRIAL_FIBRILLATION not in found.conditions
    home, mean = (found.usual_judged, found.mean) if compared else (None, None)
    return against_home(chosen, home, mean, found.threshold, home_high=found.at_or_above)


def outstanding(
    samples: Sequence[Sample], found: Average, low: Pressures | None = None
) -> tuple[tuple[Sample, ...], tuple[Sample, ...]]:
    """Readings of the period that are very high, and those that are low; implausible or struck out, it is neither."""
    own = found.period_ids - {one for one, _ in found.implausible}
    within = [one for one in samples if one.reading_id in own and one.tells]
    return (
        tuple(one for one in within if is_very_high(one.systolic, one.diastolic)),
        tuple(one for one in within if is_low(one.systolic, one.diastolic, low or LOW)),
    )


def _log(own: Sequence[Sample], found: Average) -> LogDigits | None:
    written = [one for one in own if one.source is WrittenBy.HAND and not one.noted_again]
    if not written:
        return None
    values = [value for one in written for value in (one.systolic, one.diastolic) if value is not None]
    groups = [one.samples for one in sittings(written, found.protocol)]
    return LogDigits(last_digits(values), copied(groups), len(groups))

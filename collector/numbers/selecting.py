"""Which readings count, and for each that does not, why.

The period. With `first` and `last`: those days, both included. Without: the most recent series. It ends with the
newest reading and goes back over days that hold readings until the protocol's preferred number of days is reached or
until more than `series_gap_days` empty days lie between two of them (3 unless changed). A day 'holds readings' when
at least one reading of it has both pressures and lies inside the hours; failed measurements and readings at other
hours make no day, but those of the period are listed.

Day numbers. Day 1 is the first day of the period that holds readings; empty days get no number. Days to be left out
(day 1, days 1 and 2) are left out by this number, once per period.

Reasons come in a fixed order and the first that fits is given: void (struck out, say), no value, time not
certain, other hours, implausible, a day left out, flagged, first of its sitting, more than asked for. The first of a
sitting is its first reading with both pressures, flagged or not: it is the one taken before the person had settled.
Where a protocol keeps a first reading that is alone (`keep_first_if_alone`), readings are numbered as in the survey
that the rule is of: a first measurement without a value was the first, and the second and third count. It is alone
where no other of its sitting counts, be it for want of a value, a flag or an implausible one.
"""

from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass
from datetime import UTC, date
from decimal import Decimal

from collector.numbers import words
from collector.numbers.rules import Protocol, Session
from collector.numbers.sittings import Sitting, in_order, sittings
from collector.numbers.values import Sample


@dataclass(frozen=True, slots=True)
class Counted:
    """A reading that counts, with both pressures certain to be there."""

    sample: Sample
    day: date
    session: Session
    systolic: Decimal
    diastolic: Decimal


@dataclass(frozen=True, slots=True)
class Selected:
    """The readings of a period, sorted out. `usable` ignores what the protocol leaves out by day and position."""

    first: date | None
    last: date | None
    taken: tuple[Sample, ...]  # each measurement once
    sittings: tuple[Sitting, ...]
    numbers: dict[date, int]  # of the days that hold readings
    usable: tuple[Counted, ...]
    used: tuple[Counted, ...]
    excluded: tuple[tuple[Sample, str], ...]


def select(
    samples: Iterable[Sample], protocol: Protocol, first: date | None = None, last: date | None = None
) -> Selected:
    """Sort out the readings of a period. Raises ValueError where first is after last or a reading comes twice."""
    if first is not None and last is not None and first > last:
        raise ValueError(f"the period begins on {first} and ends on {last}: the other way round")
    everything = sittings(in_order(samples), protocol)
    within = [one for one in everything if last is None or one.day <= last]
    holding = sorted({one.day for one in within if any(_holds(sample, one, protocol) for sample in one.samples)})
    begin, end = _bounds(within, holding, protocol, first, last)
    chosen = tuple(one for one in within if begin and end and begin <= one.day <= end)
    numbers = {day: number for number, day in enumerate((day for day in holding if begin and day >= begin), 1)}
    usable: list[Counted] = []
    used: list[Counted] = []
    excluded: list[tuple[Sample, str]] = []
    for sitting in chosen:
        for sample, broken, left_out in _judged(sitting, protocol, numbers):
            if not broken:
                usable.append(_counted(sample, sitting))
            if broken or left_out:
                excluded.append((sample, broken if broken else left_out))
            else:
                used.append(_counted(sample, sitting))
    kept, surplus = _as_many_as_asked(used, protocol)
    excluded = sorted(excluded + surplus, key=lambda pair: (pair[0].taken_at.astimezone(UTC), pair[0].reading_id))
    taken = tuple(sample for sitting in chosen for sample in sitting.taken)
    return Selected(
        first=begin,
        last=end,
        taken=taken,
        sittings=chosen,
        numbers=numbers,
        usable=tuple(usable),
        used=tuple(kept),
        excluded=tuple(excluded),
    )


def has_value(sample: Sample) -> bool:
    return sample.systolic is not None and sample.diastolic is not None


def _bounds(
    within: list[Sitting], holding: list[date], protocol: Protocol, first: date | None, last: date | None
) -> tuple[date | None, date | None]:
    if not within:
        return first, last
    newest = within[-1].day
    if first is not None or not holding:
        return first or within[0].day, last or newest
    series = _recent_series(holding, protocol)
    # Failed measurements after the last good day belong to it; a lone one weeks later does not move the period.
    trailing = newest if (newest - series[-1]).days <= protocol.handling.series_gap_days + 1 else series[-1]
    return series[0], last or trailing


def _recent_series(holding: list[date], protocol: Protocol) -> list[date]:
    series = [holding[-1]]
    for day in reversed(holding[:-1]):
        if len(series) == protocol.preferred_days or (series[0] - day).days - 1 > protocol.handling.series_gap_days:
            break
        series.insert(0, day)
    return series


def _holds(sample: Sample, sitting: Sitting, protocol: Protocol) -> bool:
    return (
        has_value(sample)
        and not sample.void
        and sitting.session is not None
        and (sample.certain_time or protocol.handling.uncertain_time == "use")
    )


def _judged(sitting: Sitting, protocol: Protocol, numbers: dict[date, int]) -> Iterator[tuple[Sample, str, str]]:
    """Each reading with why it cannot be used, and why the protocol leaves it out; empty where it does not."""
    number = numbers.get(sitting.day)
    dropped = words.day_left_out(number) if number in protocol.drop_days and number else ""
    broken = [_broken(sample, sitting, protocol, dropped) for sample in sitting.samples]
    opening = _opening(sitting, protocol, broken)
    for sample, why in zip(sitting.samples, broken, strict=True):
        yield sample, why, dropped or (words.FIRST_OF_SITTING if sample is opening else "")


def _broken(sample: Sample, sitting: Sitting, protocol: Protocol, dropped: str) -> str:
    """Why the reading cannot be used; empty where it can. dropped: why its day is left out, which is said first."""
    handling = protocol.handling
    flagged = sorted(sample.status & handling.exclude_flags)
    odd = sample.odd if handling.implausible == "exclude" else ()
    if sample.void:
        return sample.void
    if not has_value(sample):
        return words.NO_VALUE
    if not sample.certain_time and handling.uncertain_time == "exclude":
        return words.TIME_NOT_CERTAIN
    if sitting.session is None:
        return words.OTHER_HOURS
    if odd:
        return dropped or words.implausible(odd)
    return (dropped or words.flagged(flagged)) if flagged else ""


def _opening(sitting: Sitting, protocol: Protocol, broken: Sequence[str]) -> Sample | None:
    """The reading that a protocol leaves out as the first; where it keeps one that is alone, only if another counts."""
    if not protocol.drop_first_of_session:
        return None
    standing = [(sample, why) for sample, why in zip(sitting.samples, broken, strict=True) if not sample.void]
    if not protocol.keep_first_if_alone:
        return next((sample for sample, _ in standing if has_value(sample)), None)
    return standing[0][0] if any(not why for _, why in standing[1:]) else None


def _counted(sample: Sample, sitting: Sitting) -> Counted:
    assert sitting.session
    assert sample.systolic is not None
    assert sample.diastolic is not None
    return Counted(sample, sitting.day, sitting.session, systolic=sample.systolic, diastolic=sample.diastolic)


def _as_many_as_asked(used: list[Counted], protocol: Protocol) -> tuple[list[Counted], list[tuple[Sample, str]]]:
    """Where a session holds more than it needs: all, the first or the last of them. A session with an irregular pulse
    is averaged whole, as three readings or more are asked for there."""
    if protocol.handling.extra == "all":
        return used, []
    wanted = protocol.per_session - protocol.drop_first_of_session
    sessions: dict[tuple[date, Session], list[Counted]] = {}
    for one in used:
        sessions.setdefault((one.day, one.session), []).append(one)
    kept: list[Counted] = []
    surplus: list[tuple[Sample, str]] = []
    for found in sessions.values():
        irregular = any("irregular pulse" in one.sample.status for one in found)
        cut = len(found) if irregular else wanted
        ahead = found[:cut] if protocol.handling.extra == "first" else found[-cut:]
        kept += ahead
        surplus += [(one.sample, words.MORE_THAN_ASKED) for one in found if one not in ahead]
    return kept, surplus

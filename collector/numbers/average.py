"""The average of a series by a protocol: the number a physician decides on, and everything that says how far to trust
it.

Two means exist once a session misses a reading: that of all readings together (pooled) and that of the morning and the
evening mean. Both are given; `decides` names the one that stands against the threshold. All comparing is unrounded.
"""

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import UTC, date, timedelta
from decimal import Decimal

from collector.numbers import descriptive
from collector.numbers.rules import Plan, PlannedProtocol, Protocol, Session
from collector.numbers.selecting import Counted, Selected, has_value, select
from collector.numbers.shortage import shortage
from collector.numbers.spread import day_means, spread
from collector.numbers.values import (
    Cell,
    Decides,
    GridDay,
    Irregular,
    Load,
    Mean,
    Pair,
    Pressures,
    Sample,
    SetBy,
    Spread,
    SpreadOf,
    mean_of,
)
from parsers import plausible

SESSIONS: tuple[Session, Session] = ("morning", "evening")
LEAST_DAYS_FOR_MARGIN = 3


@dataclass(frozen=True, slots=True)
class Average:
    """Pressures in mmHg, pulse per minute; None where there is nothing to reckon from.

    at_or_above is plain arithmetic and given for a short series too: read it together with `valid`.
    """

    protocol: Protocol  # with the person's plan applied
    first: date | None
    last: date | None
    taken: int
    used: int
    days: int  # that hold a usable reading, left out or not
    days_used: int
    valid: bool
    short_of: tuple[str, ...]
    complete: bool  # all that the protocol prefers
    systolic: Decimal | None  # of the mean that decides; of the overall mean where the sessions decide apart
    diastolic: Decimal | None
    pulse: Decimal | None
    pooled: Mean | None
    of_sessions: Mean | None  # mean of the morning and the evening mean
    morning: Mean | None
    evening: Mean | None
    threshold: Pressures
    threshold_set_by: SetBy
    at_or_above: bool | None
    morning_at_or_above: bool | None
    evening_at_or_above: bool | None
    decides: Decides
    goal: Pressures | None
    goal_set_by: SetBy | None
    below_goal: bool | None
    used_ids: tuple[str, ...]
    excluded: tuple[tuple[str, str], ...]  # reading_id, reason
    spread: Spread
    standard_error: Pair | None  # of the overall mean, from day means
    margin: Pair | None  # half its 95 % interval
    irregular: Irregular
    grid: tuple[GridDay, ...]
    had: int  # readings with a value inside the hours
    wanted: int  # in a whole series
    first_to_second: Pair | None  # mean fall from the first to the second reading of a sitting
    morning_minus_evening: Pair | None
    pulse_pressure: Decimal | None
    mean_pressure: Decimal | None  # an estimate: D + (S - D) / 3
    load: Load
    hand_written: int  # of those used
    uncertain_times: int
    implausible: tuple[tuple[str, str], ...]  # reading_id, mark; used all the same unless the protocol says otherwise
    too_close: int  # second readings that came sooner than the protocol asks

    @property
    def sd(self) -> Pair | None:
        return self.spread.sd

    @property
    def cv(self) -> Pair | None:
        return self.spread.cv

    @property
    def arv(self) -> Pair | None:
        return self.spread.arv


def average(
    samples: Iterable[Sample],
    protocol: Protocol,
    plan: Plan | None = None,
    first: date | None = None,
    last: date | None = None,
    spread_of: SpreadOf = SpreadOf.DAYS,
) -> Average:
    """The average of the period from `first` to `last`, or of the most recent series; see `selecting` for both.

    samples: one person's, in any order. spread_of: what SD, CV, ARV and RMSSD are of.
    Raises ValueError for a period the wrong way round, or a reading that comes twice.
    """
    force = PlannedProtocol.of(protocol, plan)
    rules = force.protocol
    chosen = select(samples, rules, first, last)
    used = chosen.used
    pooled = _mean(used)
    apart = {session: _mean([one for one in used if one.session == session]) for session in SESSIONS}
    morning, evening = apart["morning"], apart["evening"]
    of_sessions = _of_sessions(morning, evening, pooled)
    overall = pooled if rules.averaging == "pooled" else of_sessions or pooled
    high = {session: _reached(rules.threshold, mean) for session, mean in apart.items()}
    decides, at_or_above = _decision(rules, overall, high)
    short = shortage(chosen, rules)
    days = {one.day for one in chosen.usable}
    had = sum(has_value(sample) for sitting in chosen.sittings if sitting.session for sample in sitting.samples)
    return Average(
        protocol=rules,
        first=chosen.first,
        last=chosen.last,
        taken=len(chosen.taken),
        used=len(used),
        days=len(days),
        days_used=len({one.day for one in used}),
        valid=not short,
        short_of=short,
        complete=len(days) >= rules.preferred_days and had >= rules.preferred_days * 2 * rules.per_session,
        systolic=overall.systolic if overall else None,
        diastolic=overall.diastolic if overall else None,
        pulse=overall.pulse if overall else None,
        pooled=pooled,
        of_sessions=of_sessions,
        morning=morning,
        evening=evening,
        threshold=rules.threshold,
        threshold_set_by=force.threshold_set_by,
        at_or_above=at_or_above,
        morning_at_or_above=high["morning"],
        evening_at_or_above=high["evening"],
        decides=decides,
        goal=force.goal,
        goal_set_by=force.goal_set_by,
        below_goal=None if force.goal is None or overall is None else not _reached(force.goal, overall),
        used_ids=tuple(one.sample.reading_id for one in used),
        excluded=tuple((sample.reading_id, reason) for sample, reason in chosen.excluded),
        spread=spread(used, spread_of),
        standard_error=_standard_error(used),
        margin=_margin(used),
        irregular=_irregular(chosen),
        grid=_grid(chosen, rules),
        had=had,
        wanted=rules.preferred_days * 2 * rules.per_session,
        first_to_second=_first_to_second(chosen, rules),
        morning_minus_evening=_apart(morning, evening),
        pulse_pressure=overall.systolic - overall.diastolic if overall else None,
        mean_pressure=estimated_mean_pressure(overall.systolic, overall.diastolic) if overall else None,
        load=_load(used, rules.threshold),
        hand_written=sum(one.sample.source != "cuff" for one in used),
        uncertain_times=sum(not one.sample.certain_time for one in used),
        implausible=_implausible(chosen.taken),
        too_close=_too_close(chosen, rules),
    )


def estimated_mean_pressure(systolic: Decimal, diastolic: Decimal) -> Decimal:
    """D + (S - D) / 3, mmHg. Textbook; a cuff that measures the mean pressure knows better."""
    return (systolic + 2 * diastolic) / 3


def _mean(readings: Sequence[Counted]) -> Mean | None:
    if not readings:
        return None
    pulses = [one.sample.pulse for one in readings if one.sample.pulse is not None]
    return Mean(
        systolic=mean_of(one.systolic for one in readings),
        diastolic=mean_of(one.diastolic for one in readings),
        pulse=mean_of(pulses) if pulses else None,
        readings=len(readings),
        days=len({one.day for one in readings}),
        margin=_margin(readings),
    )


def _of_sessions(morning: Mean | None, evening: Mean | None, pooled: Mean | None) -> Mean | None:
    if morning is None or evening is None or pooled is None:
        return None
    pulses = [mean.pulse for mean in (morning, evening) if mean.pulse is not None]
    return Mean(
        systolic=mean_of((morning.systolic, evening.systolic)),
        diastolic=mean_of((morning.diastolic, evening.diastolic)),
        pulse=mean_of(pulses) if pulses else None,
        readings=pooled.readings,
        days=pooled.days,
        margin=pooled.margin,
    )


def _reached(bound: Pressures, mean: Mean | None) -> bool | None:
    return None if mean is None else bound.reached_by(mean.systolic, mean.diastolic)


def _decision(rules: Protocol, overall: Mean | None, high: dict[Session, bool | None]) -> tuple[Decides, bool | None]:
    if rules.averaging != "separate":
        name = Decides.OF_SESSIONS if rules.averaging == "sessions" else Decides.POOLED
        return name, _reached(rules.threshold, overall)
    reached = [session for session in SESSIONS if high[session]]
    if len(reached) == 1:
        return Decides(reached[0]), True
    known = [value for value in high.values() if value is not None]
    return Decides.BOTH, bool(reached) if known else None


def _margin(readings: Sequence[Counted]) -> Pair | None:
    means = [pair for _, pair in day_means(readings)]
    if len(means) < LEAST_DAYS_FOR_MARGIN:
        return None
    return Pair(*(descriptive.margin(values) for values in zip(*means, strict=True)))


def _standard_error(readings: Sequence[Counted]) -> Pair | None:
    means = [pair for _, pair in day_means(readings)]
    if len(means) < LEAST_DAYS_FOR_MARGIN:
        return None
    return Pair(*(descriptive.standard_error(values) for values in zip(*means, strict=True)))


def _irregular(chosen: Selected) -> Irregular:
    """Over all readings with a value: a flag tells of the person, also on a day that is left out."""
    marked = [
        (sitting.day, number)
        for number, sitting in enumerate(chosen.sittings)
        for sample in sitting.samples
        if has_value(sample) and "irregular pulse" in sample.status
    ]
    days = {day for day, _ in marked}
    in_sitting = [number for _, number in marked]
    return Irregular(
        len(marked),
        sum(map(has_value, chosen.taken)),
        len(days),
        len(days) >= 2 or any(in_sitting.count(number) >= 2 for number in set(in_sitting)),
    )


def _grid(chosen: Selected, rules: Protocol) -> tuple[GridDay, ...]:
    if chosen.first is None or chosen.last is None:
        return ()
    taken: dict[tuple[date, Session], int] = {}
    for sitting in chosen.sittings:
        if sitting.session:
            key = sitting.day, sitting.session
            taken[key] = taken.get(key, 0) + sum(map(has_value, sitting.samples))
    used: dict[tuple[date, Session], int] = {}
    for one in chosen.used:
        used[one.day, one.session] = used.get((one.day, one.session), 0) + 1
    rows = []
    for offset in range((chosen.last - chosen.first).days + 1):
        day = chosen.first + timedelta(offset)
        morning, evening = (
            Cell(taken.get((day, session), 0), used.get((day, session), 0), rules.per_session) for session in SESSIONS
        )
        number = chosen.numbers.get(day)
        rows.append(GridDay(day, number, number in rules.drop_days, morning=morning, evening=evening))
    return tuple(rows)


def _first_to_second(chosen: Selected, rules: Protocol) -> Pair | None:
    falls = []
    usable = {one.sample.reading_id for one in chosen.usable}
    for sitting in chosen.sittings:
        two = sitting.samples[:2]
        if chosen.numbers.get(sitting.day) in rules.drop_days or len(two) < 2:
            continue
        (s1, d1), (s2, d2) = ((one.systolic, one.diastolic) for one in two)
        if all(one.reading_id in usable for one in two) and s1 and s2 and d1 and d2:
            falls.append((float(s1 - s2), float(d1 - d2)))
    return Pair(*map(descriptive.mean, zip(*falls, strict=True))) if falls else None


def _apart(morning: Mean | None, evening: Mean | None) -> Pair | None:
    if morning is None or evening is None:
        return None
    return Pair(float(morning.systolic - evening.systolic), float(morning.diastolic - evening.diastolic))


def _load(used: Sequence[Counted], threshold: Pressures) -> Load:
    systolic = [one.systolic >= threshold.systolic for one in used]
    diastolic = [one.diastolic >= threshold.diastolic for one in used]
    return Load(
        systolic=sum(systolic),
        diastolic=sum(diastolic),
        either=sum(a or b for a, b in zip(systolic, diastolic, strict=True)),
        of=len(used),
        last_ten=sum(systolic[-10:]) if len(used) >= 10 else None,
    )


def _implausible(taken: Sequence[Sample]) -> tuple[tuple[str, str], ...]:
    return tuple(
        (one.reading_id, mark) for one in taken for mark in plausible.marks(one.systolic, one.diastolic, one.pulse)
    )


def _too_close(chosen: Selected, rules: Protocol) -> int:
    pauses = [
        (after.taken_at.astimezone(UTC) - before.taken_at.astimezone(UTC)).total_seconds()
        for sitting in chosen.sittings
        for before, after in zip(sitting.samples, sitting.samples[1:], strict=False)
    ]
    return sum(pause < rules.gap_s for pause in pauses)

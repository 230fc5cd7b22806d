"""The average of a series by a protocol: the number a physician decides on, and everything that says how sure it is.

Two means exist once a session misses a reading: that of all readings together (pooled) and that of the morning and the
evening mean. Both are given; `decides` names the one that stands against the threshold. All comparing is unrounded.
"""

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import date, timedelta
from decimal import Decimal

from collector.numbers import descriptive
from collector.numbers.chance import AgainstBound
from collector.numbers.completeness import grid, missing_sessions, shortage
from collector.numbers.judging import SESSIONS, Judged, decision, how_it_stands, judged_means, reached
from collector.numbers.medical_condition import MedicalCondition
from collector.numbers.orthostatic import OnStanding, on_standing
from collector.numbers.rules import Goal, Plan, PlannedProtocol, Protocol, Session
from collector.numbers.selecting import Counted, Selected, has_value, select
from collector.numbers.series_remarks import first_to_second, implausible, irregular, load, sooner_than_asked
from collector.numbers.spread import day_means, spread
from collector.numbers.usual import Usual
from collector.numbers.values import (
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
    WrittenBy,
    mean_of,
)

LEAST_DAYS_FOR_MARGIN = 3
VALID_WITHIN = timedelta(days=28)
"""A valid series that ended so shortly before a newer one that is too short is averaged in its place. Our choice."""


@dataclass(frozen=True, slots=True)
class Average:
    """Pressures in mmHg, pulse per minute; None where there is nothing to reckon from.

    All that judges (at_or_above and its like, below_goal, standing) is None of a series that is not valid.
    """

    protocol: Protocol  # with the person's plan applied
    conditions: frozenset[MedicalCondition]
    first: date | None
    last: date | None
    taken: int
    used: int
    days: int  # that hold a usable reading, left out or not
    days_used: int
    valid: bool
    short_of: tuple[str, ...]
    complete: bool  # all that the protocol prefers
    later: int  # readings after the last day of the series: too few for a series of their own
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
    second_at_or_above: bool | None  # than the protocol's second threshold
    decides: Decides
    goal: Goal
    below_goal: bool | None
    usual: tuple[Usual, Usual] | None  # systolic, diastolic: how sure the mean is
    standing: AgainstBound | None  # chance of the usual pressure at or above the threshold
    usual_judged: tuple[Usual, Usual] | None  # that `standing` is of: of one session where they are judged apart
    these_days: Pair | None  # half the 95 % interval of the mean of these very days; None of fewer than three
    used_ids: tuple[str, ...]
    excluded: tuple[tuple[str, str], ...]  # reading_id, reason
    spread: Spread
    irregular: Irregular
    grid: tuple[GridDay, ...]
    missing: tuple[tuple[date, Session], ...]  # sessions of the period without a reading
    had: int  # readings with a value inside the hours
    wanted: int  # in a whole series
    first_to_second: Pair | None  # mean fall from the first to the second reading of a sitting
    on_standing: tuple[OnStanding, ...]
    morning_minus_evening: Pair | None
    mean_by_cuff: Decimal | None  # mean pressure, where every reading used has one
    load: Load
    hand_written: int  # of those used
    uncertain_times: int
    implausible: tuple[tuple[str, str], ...]  # reading_id, mark; not used unless the protocol says so
    too_close: int  # second readings that came sooner than the protocol asks

    @property
    def mean(self) -> Pressures | None:
        """That decides, or overall."""
        if self.systolic is None or self.diastolic is None:
            return None
        return Pressures(self.systolic, self.diastolic)

    @property
    def pulse_pressure(self) -> Decimal | None:
        return self.mean.systolic - self.mean.diastolic if self.mean else None

    @property
    def mean_pressure(self) -> Decimal | None:
        """An estimate: D + (S - D) / 3."""
        return estimated_mean_pressure(self.mean.systolic, self.mean.diastolic) if self.mean else None

    @property
    def period_ids(self) -> set[str]:
        """Of all readings of the period: those used, and those left out."""
        return {*self.used_ids, *(reading_id for reading_id, _ in self.excluded)}

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

    A most recent series that is too short gives way to a valid one that ended at most four weeks before its last
    reading, and is counted in `later`. samples: one person's, in any order. spread_of: what SD, CV, ARV, RMSSD and
    range are of. Raises ValueError for a period the wrong way round, or a reading that comes twice.
    """
    planned = PlannedProtocol.of(protocol, plan)
    every = list(samples)
    chosen = select(every, planned.protocol, first, last)
    newest = chosen.last
    if first is None and newest is not None and shortage(chosen, planned.protocol):
        chosen = _last_valid(every, planned.protocol, chosen, newest) or chosen
    later = 0
    if chosen.last != newest and chosen.last:
        later = sum(
            has_value(one) and not one.void and planned.protocol.day_and_session(one.taken_at)[0] > chosen.last
            for one in every
        )
    return _averaged(chosen, planned, spread_of, later)


def _last_valid(samples: list[Sample], rules: Protocol, chosen: Selected, newest: date) -> Selected | None:
    """The valid series before this one, if it ended not long before the newest reading."""
    while chosen.first and chosen.first > date.min:
        earlier = select(samples, rules, None, chosen.first - timedelta(1))
        if not earlier.numbers or newest - max(earlier.numbers) > VALID_WITHIN:
            return None
        chosen = select(samples, rules, None, max(earlier.numbers))
        if not shortage(chosen, rules):
            return chosen
    return None


def _averaged(chosen: Selected, planned: PlannedProtocol, spread_of: SpreadOf, later: int) -> Average:
    rules, used = planned.protocol, chosen.used
    pooled = _mean(used)
    apart = {session: _mean([one for one in used if one.session == session]) for session in SESSIONS}
    morning, evening = apart["morning"], apart["evening"]
    of_sessions = _of_sessions(morning, evening, pooled)
    overall = pooled if rules.averaging == "pooled" else of_sessions or pooled
    short = shortage(chosen, rules)
    high = {session: None if short else reached(rules.threshold, mean) for session, mean in apart.items()}
    decides, at_or_above = decision(rules, None if short else overall, high)
    whole = Judged.of(used, overall) if overall else None
    judged = [] if short or whole is None else judged_means(rules, apart, whole)
    stands = how_it_stands(judged, rules.threshold)
    days = {one.day for one in chosen.usable}
    had = sum(
        has_value(sample) and not sample.void
        for sitting in chosen.sittings
        if sitting.session
        for sample in sitting.samples
    )
    goal = planned.goal(chosen.last)
    rows = grid(chosen, rules)
    return Average(
        protocol=rules,
        conditions=planned.plan.conditions,
        first=chosen.first,
        last=chosen.last,
        taken=len(chosen.taken),
        used=len(used),
        days=len(days),
        days_used=len({one.day for one in used}),
        valid=not short,
        short_of=short,
        complete=len(days) >= rules.preferred_days and had >= rules.preferred_days * 2 * rules.per_session,
        later=later,
        systolic=overall.systolic if overall else None,
        diastolic=overall.diastolic if overall else None,
        pulse=overall.pulse if overall else None,
        pooled=pooled,
        of_sessions=of_sessions,
        morning=morning,
        evening=evening,
        threshold=rules.threshold,
        threshold_set_by=planned.threshold_set_by,
        at_or_above=at_or_above,
        morning_at_or_above=high["morning"],
        evening_at_or_above=high["evening"],
        second_at_or_above=reached(rules.second_threshold, None if short else overall),
        decides=decides,
        goal=goal,
        below_goal=not any(reached(goal.below, one.mean) for one in judged) if goal.below and judged else None,
        usual=whole.usual if whole else None,
        standing=stands[0] if stands else None,
        usual_judged=stands[1] if stands else None,
        these_days=_these_days(used),
        used_ids=tuple(one.sample.reading_id for one in used),
        excluded=tuple((sample.reading_id, reason) for sample, reason in chosen.excluded),
        spread=spread(used, spread_of),
        irregular=irregular(chosen),
        grid=rows,
        missing=missing_sessions(rows),
        had=had,
        wanted=rules.preferred_days * 2 * rules.per_session,
        first_to_second=first_to_second(chosen, rules),
        on_standing=on_standing(chosen, rules.handling.exclude_flags),
        morning_minus_evening=_apart(morning, evening),
        mean_by_cuff=_mean_by_cuff(used),
        load=load(used, rules.threshold),
        hand_written=sum(one.sample.source is WrittenBy.HAND for one in used),
        uncertain_times=sum(not one.sample.certain_time for one in used),
        implausible=implausible(chosen.taken),
        too_close=sooner_than_asked(chosen, rules),
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
    )


def _these_days(readings: Sequence[Counted]) -> Pair | None:
    means = [pair for _, pair in day_means(readings)]
    if len(means) < LEAST_DAYS_FOR_MARGIN:
        return None
    return Pair(*(descriptive.margin(values) for values in zip(*means, strict=True)))


def _mean_by_cuff(readings: Sequence[Counted]) -> Decimal | None:
    measured = [one.sample.mean for one in readings if one.sample.mean is not None]
    return mean_of(measured) if measured and len(measured) == len(readings) else None


def _apart(morning: Mean | None, evening: Mean | None) -> Pair | None:
    if morning is None or evening is None:
        return None
    return Pair(float(morning.systolic - evening.systolic), float(morning.diastolic - evening.diastolic))

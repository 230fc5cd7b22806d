"""Averages, changes, trends and protocols as the objects that `--json` prints. Field names are a promise.

Pressures in mmHg, pulses per minute; means with all their digits, unrounded.
"""

from collections.abc import Sequence
from datetime import date

from collector.numbers.average import Average
from collector.numbers.change import Change, Compared, Difference
from collector.numbers.levels import acc_aha_office_class, esh_office_class
from collector.numbers.office_home import Office, OfficeHome
from collector.numbers.orthostatic import OnStanding
from collector.numbers.overview import Overview
from collector.numbers.rules import Protocol
from collector.numbers.trend import MovingMean, PeriodMean, Trend
from collector.numbers.usual import Usual
from collector.numbers.values import Mean, Pair, Pressures

Fields = dict[str, object]


def average_fields(reckoned: Overview, person: str) -> Fields:
    """The agreed fields in their order; `more` holds what else is known."""
    found, since_dose = reckoned.average, reckoned.since_dose
    standing, second = found.standing, found.protocol.second_threshold
    return {
        "protocol": found.protocol.name,
        "from": _day(found.first),
        "to": _day(found.last),
        "person": person,
        **_alike(found, "taken", "used", "days", "valid", "short_of", "systolic", "diastolic", "pulse"),
        "morning": _judged(found.morning, found.morning_at_or_above),
        "evening": _judged(found.evening, found.evening_at_or_above),
        "threshold": _bounds(found.threshold, found.threshold_set_by),
        "at_or_above": found.at_or_above,
        "second_threshold": second and {**_bounds(second), "at_or_above": found.second_at_or_above},
        "chance_at_or_above": standing and standing.chance,
        "would_settle": standing and standing.further,
        "excluded": [{"reading_id": one, "reason": reason} for one, reason in found.excluded],
        "missing_sessions": len(found.missing),
        "sd": _pair(found.sd),
        "cv": _pair(found.cv),
        "arv": _pair(found.arv),
        "rmssd": _pair(found.spread.rmssd),
        "range": _pair(found.spread.range),
        "pulse_pressure": found.pulse_pressure,
        "mean_pressure_estimate": found.mean_pressure,
        "last_ten": found.load.last_ten,
        "on_standing": [_on_standing(one) for one in found.on_standing],
        "hours_since_dose": since_dose and {"median": since_dose.median_h, "readings": since_dose.readings},
        **_office(reckoned.office),
        "more": {
            "unit": "mmHg",
            "decides": found.decides,
            "spread_of": found.spread.unit,
            **_alike(found, "days_used", "complete", "later"),
            "call": standing and standing.call,
            "usual_95": found.usual and _usual(found.usual),
            "margin_95_these_days": _pair(found.these_days),
            "pooled": _mean(found.pooled),
            "of_sessions": _mean(found.of_sessions),
            "goal": found.goal.below and _bounds(found.goal.below, found.goal.set_by),
            "goal_note": found.goal.note or None,
            "below_goal": found.below_goal,
            "morning_minus_evening": _pair(found.morning_minus_evening),
            "first_to_second": _pair(found.first_to_second),
            "mean_pressure_by_cuff": found.mean_by_cuff,
            "load": _alike(found.load, "systolic", "diastolic", "either", "of"),
            "missing": [{"day": day.isoformat(), "session": session} for day, session in found.missing],
            "irregular_pulse": _alike(found.irregular, "readings", "of", "days", "worth_telling"),
            "very_high": [one.reading_id for one in reckoned.very_high],
            "low": [one.reading_id for one in reckoned.low],
            "hand_written": found.hand_written,
            "time_not_certain": found.uncertain_times,
            "implausible": [{"reading_id": one, "mark": mark} for one, mark in found.implausible],
            "used_ids": found.used_ids,
        },
    }


def _on_standing(one: OnStanding) -> Fields:
    return {
        "sitting": one.sitting.reading_id,
        "standing": one.standing.reading_id,
        "after_s": one.after_s,
        "standing_minus_sitting": _alike(one, "systolic", "diastolic"),
        "meets_criterion": one.meets,
    }


def _office(office: Office | None) -> Fields:
    """The values of the office and home against it; every field is there without a visit too."""
    if office is None:
        names = ("office", "office_class_acc_aha", "office_class_esh", "home_against_office", "another_reading")
        return dict.fromkeys(names)
    mean = office.mean
    return {
        "office": {
            **_bounds(mean),
            "visits": len(office.visits),
            "last": office.visits[-1].day.isoformat(),
            "threshold": office.bound and _bounds(office.bound),
            "chances": dict(zip(map(str, OfficeHome), office.chances, strict=False)) or None,
            "called": office.called,
            "white_coat_effect": office.white_coat_effect,
        },
        "office_class_acc_aha": acc_aha_office_class(mean.systolic, mean.diastolic),
        "office_class_esh": esh_office_class(mean.systolic, mean.diastolic),
        "home_against_office": office.by_means,
        "another_reading": office.another_reading,
    }


def _usual(pressures: tuple[Usual, Usual]) -> Fields:
    return {
        name: _alike(one, "low", "high", "se", "df")
        for name, one in zip(("systolic", "diastolic"), pressures, strict=True)
    }


def change_fields(found: Change, person: str, note: str) -> Fields:
    """`difference` is after minus before. note: the noted change in words, may be empty."""
    return {
        "person": person,
        "at": found.at.isoformat(),
        "note": note or None,
        "protocol": found.protocol.name,
        "washout_days": found.washout_days,
        "compared": found.overall is not None,
        "short_of": found.refused,
        "before": _side(found.before),
        "after": _side(found.after),
        "overall": _compared(found.overall),
        "morning": _compared(found.morning),
        "evening": _compared(found.evening),
        "unit": "mmHg",
    }


def trend_fields(found: Trend, person: str, changes: Sequence[tuple[date, str]]) -> Fields:
    """Weeks, months, days and the moving mean. changes: days of noted changes, with their texts."""
    return {
        "person": person,
        "unit": "mmHg",
        "window_days": found.window_days,
        "threshold": _bounds(found.threshold),
        "weeks": [_period_mean(one) for one in found.weeks],
        "months": [_period_mean(one) for one in found.months],
        "days": [
            {"day": one.day.isoformat(), **_alike(one, "systolic", "diastolic", "readings")} for one in found.days
        ],
        "moving": [_moving_mean(one) for one in found.moving],
        "changes": [{"day": day.isoformat(), "text": text} for day, text in changes],
    }


def protocol_fields(one: Protocol) -> Fields:
    """A protocol with its source, and which of its figures are from memory or a choice of ours."""
    return {
        **_alike(one, "name", "title", "edition", "source"),
        "threshold": _bounds(one.threshold),
        "target": one.target and _bounds(one.target),
        "target_note": one.target_note,
        "target_for_age": one.target_for_age and {"from": one.target_for_age.age, **_bounds(one.target_for_age.target)},
        "second_threshold": one.second_threshold and _bounds(one.second_threshold),
        **_alike(one, "min_days", "preferred_days", "per_session", "af_per_session", "gap_s", "drop_days"),
        **_alike(one, "drop_first_of_session", "keep_first_if_alone", "both_sessions", "min_readings"),
        **_alike(one, "min_readings_used", "consecutive_days", "averaging", "when", "notes"),
        "from_memory": sorted(one.from_memory),
        "our_choice": [*sorted(one.our_choice), "hours and sittings"],
        "hours": {"morning": str(one.handling.morning), "evening": str(one.handling.evening)},
        "outside_hours": one.handling.outside,
        "sitting_gap_s": one.handling.sitting_gap_s,
        "exclude_flags": sorted(one.handling.exclude_flags),
        **_alike(one.handling, "extra", "uncertain_time", "implausible", "series_gap_days"),
    }


def _alike(one: object, *names: str) -> Fields:
    """What is told by the name that it has there."""
    return {name: getattr(one, name) for name in names}


def _day(day: date | None) -> str | None:
    return day.isoformat() if day else None


def _bounds(pressures: Pressures, set_by: str | None = None) -> Fields:
    whose = {} if set_by is None else {"set_by": set_by}
    return {**_alike(pressures, "systolic", "diastolic"), **whose}


def _pair(both: Pair | None) -> Fields | None:
    return None if both is None else _alike(both, "systolic", "diastolic")


def _mean(mean: Mean | None) -> Fields | None:
    return None if mean is None else _alike(mean, "systolic", "diastolic", "pulse", "readings", "days")


def _judged(mean: Mean | None, at_or_above: bool | None) -> Fields | None:
    found = _mean(mean)
    return found if found is None or at_or_above is None else {**found, "at_or_above": at_or_above}


def _side(side: Average) -> Fields:
    return {
        "from": _day(side.first),
        "to": _day(side.last),
        **_alike(side, "taken", "used"),
        "days": side.days_used,
        **_alike(side, "systolic", "diastolic", "valid", "short_of"),
    }


def _compared(one: Compared | None) -> Fields | None:
    if one is None:
        return None
    return {
        "days_before": one.days_before,
        "days_after": one.days_after,
        "systolic": _difference(one.systolic),
        "diastolic": _difference(one.diastolic),
    }


def _difference(one: Difference) -> Fields:
    return {
        **_alike(one, "before", "after", "difference"),
        "interval_95": [one.low, one.high],
        **_alike(one, "chance_lower", "said", "falls_by_itself"),
    }


def _period_mean(one: PeriodMean) -> Fields:
    return {
        "from": one.first.isoformat(),
        "to": one.last.isoformat(),
        **_alike(one, "systolic", "diastolic", "days", "readings"),
        "margin_95": _pair(one.margin),
    }


def _moving_mean(one: MovingMean) -> Fields:
    return {"day": one.day.isoformat(), **_alike(one, "systolic", "diastolic", "days"), "margin_95": _pair(one.margin)}

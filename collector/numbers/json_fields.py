"""Averages, changes, trends and protocols as the objects that `--json` prints. Field names are a promise.

Pressures in mmHg, pulses per minute; means with all their digits, unrounded.
"""

from collections.abc import Sequence
from datetime import date

from collector.numbers.average import Average
from collector.numbers.change import Change, Compared, Difference
from collector.numbers.rules import Protocol
from collector.numbers.trend import MovingMean, PeriodMean, Trend
from collector.numbers.values import Mean, Pair, Pressures, Sample

Fields = dict[str, object]


def average_fields(found: Average, person: str, high: Sequence[Sample] = (), low: Sequence[Sample] = ()) -> Fields:
    """The agreed fields in their order; `more` holds what else is known. high, low: the readings marked so."""
    return {
        "protocol": found.protocol.name,
        "from": _day(found.first),
        "to": _day(found.last),
        "person": person,
        "taken": found.taken,
        "used": found.used,
        "days": found.days,
        "valid": found.valid,
        "short_of": found.short_of,
        "systolic": found.systolic,
        "diastolic": found.diastolic,
        "pulse": found.pulse,
        "morning": _judged(found.morning, found.morning_at_or_above),
        "evening": _judged(found.evening, found.evening_at_or_above),
        "threshold": _bounds(found.threshold, found.threshold_set_by),
        "at_or_above": found.at_or_above,
        "excluded": [{"reading_id": one, "reason": reason} for one, reason in found.excluded],
        "sd": _pair(found.sd),
        "cv": _pair(found.cv),
        "arv": _pair(found.arv),
        "more": {
            "unit": "mmHg",
            "decides": found.decides,
            "spread_of": found.spread.unit,
            "days_used": found.days_used,
            "complete": found.complete,
            "margin_95": _pair(found.margin),
            "standard_error": _pair(found.standard_error),
            "pooled": _mean(found.pooled),
            "of_sessions": _mean(found.of_sessions),
            "goal": found.goal and _bounds(found.goal, found.goal_set_by),
            "below_goal": found.below_goal,
            "irregular_pulse": {
                "readings": found.irregular.readings,
                "of": found.irregular.of,
                "days": found.irregular.days,
                "worth_telling": found.irregular.worth_telling,
            },
            "very_high": [one.reading_id for one in high],
            "low": [one.reading_id for one in low],
            "hand_written": found.hand_written,
            "time_not_certain": found.uncertain_times,
            "implausible": [{"reading_id": one, "mark": mark} for one, mark in found.implausible],
            "used_ids": found.used_ids,
        },
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
            {"day": one.day.isoformat(), "systolic": one.systolic, "diastolic": one.diastolic, "readings": one.readings}
            for one in found.days
        ],
        "moving": [_moving_mean(one) for one in found.moving],
        "changes": [{"day": day.isoformat(), "text": text} for day, text in changes],
    }


def protocol_fields(one: Protocol) -> Fields:
    """A protocol with its source, and which of its figures are from memory or a choice of ours."""
    return {
        "name": one.name,
        "title": one.title,
        "edition": one.edition,
        "source": one.source,
        "threshold": _bounds(one.threshold),
        "target": one.target and _bounds(one.target),
        "target_note": one.target_note,
        "second_threshold": one.second_threshold and _bounds(one.second_threshold),
        "min_days": one.min_days,
        "preferred_days": one.preferred_days,
        "per_session": one.per_session,
        "af_per_session": one.af_per_session,
        "gap_s": one.gap_s,
        "drop_days": one.drop_days,
        "drop_first_of_session": one.drop_first_of_session,
        "min_readings": one.min_readings,
        "min_readings_used": one.min_readings_used,
        "consecutive_days": one.consecutive_days,
        "averaging": one.averaging,
        "when": one.when,
        "notes": one.notes,
        "from_memory": sorted(one.from_memory),
        "our_choice": [*sorted(one.our_choice), "hours and sittings"],
        "hours": {"morning": str(one.handling.morning), "evening": str(one.handling.evening)},
        "outside_hours": one.handling.outside,
        "sitting_gap_s": one.handling.sitting_gap_s,
        "exclude_flags": sorted(one.handling.exclude_flags),
        "extra": one.handling.extra,
        "uncertain_time": one.handling.uncertain_time,
        "implausible": one.handling.implausible,
        "series_gap_days": one.handling.series_gap_days,
    }


def _day(day: date | None) -> str | None:
    return day.isoformat() if day else None


def _bounds(pressures: Pressures, set_by: str | None = None) -> Fields:
    whose = {} if set_by is None else {"set_by": set_by}
    return {"systolic": pressures.systolic, "diastolic": pressures.diastolic, **whose}


def _pair(both: Pair | None) -> Fields | None:
    return None if both is None else {"systolic": both.systolic, "diastolic": both.diastolic}


def _mean(mean: Mean | None) -> Fields | None:
    if mean is None:
        return None
    return {
        "systolic": mean.systolic,
        "diastolic": mean.diastolic,
        "pulse": mean.pulse,
        "readings": mean.readings,
        "days": mean.days,
    }


def _judged(mean: Mean | None, at_or_above: bool | None) -> Fields | None:
    found = _mean(mean)
    return found if found is None or at_or_above is None else {**found, "at_or_above": at_or_above}


def _side(side: Average) -> Fields:
    return {
        "from": _day(side.first),
        "to": _day(side.last),
        "taken": side.taken,
        "used": side.used,
        "days": side.days_used,
        "systolic": side.systolic,
        "diastolic": side.diastolic,
        "valid": side.valid,
        "short_of": side.short_of,
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
        "before": one.before,
        "after": one.after,
        "difference": one.difference,
        "welch_95": [one.low, one.high],
        "welch_95_neighbours": [one.low_neighbours, one.high_neighbours],
        "bootstrap_95": [one.low_bootstrap, one.high_bootstrap],
        "noise": one.noise,
        "clear": one.clear,
    }


def _period_mean(one: PeriodMean) -> Fields:
    return {
        "from": one.first.isoformat(),
        "to": one.last.isoformat(),
        "systolic": one.systolic,
        "diastolic": one.diastolic,
        "days": one.days,
        "readings": one.readings,
        "margin_95": _pair(one.margin),
    }


def _moving_mean(one: MovingMean) -> Fields:
    return {
        "day": one.day.isoformat(),
        "systolic": one.systolic,
        "diastolic": one.diastolic,
        "days": one.days,
        "margin_95": _pair(one.margin),
    }

"""Averages, changes and trends as plain dictionaries, for JSON and other programs. Field names are a promise.

Pressures are mmHg, pulses per minute. Means keep all their digits; spreads and margins are rounded to 6 decimals.
"""

from collections.abc import Mapping
from datetime import date
from decimal import Decimal

from collector.numbers.average import Average
from collector.numbers.change import Change, Compared, Difference
from collector.numbers.rules import Protocol
from collector.numbers.trend import Stretch, Trend
from collector.numbers.values import Mean, Pair, Pressures

Plain = Mapping[str, object]


def average_fields(found: Average) -> dict[str, object]:
    """Everything of an average but whose it is."""
    return {
        "protocol": found.protocol.name,
        "from": _day(found.first),
        "to": _day(found.last),
        "taken": found.taken,
        "used": found.used,
        "days": found.days,
        "days_used": found.days_used,
        "valid": found.valid,
        "short_of": list(found.short_of),
        "complete": found.complete,
        "unit": "mmHg",
        "systolic": found.systolic,
        "diastolic": found.diastolic,
        "pulse": found.pulse,
        "decides": found.decides,
        "pooled": _mean(found.pooled),
        "of_sessions": _mean(found.of_sessions),
        "morning": _mean(found.morning),
        "evening": _mean(found.evening),
        "threshold": _pressures(found.threshold),
        "threshold_set_by": found.threshold_set_by,
        "at_or_above": found.at_or_above,
        "morning_at_or_above": found.morning_at_or_above,
        "evening_at_or_above": found.evening_at_or_above,
        "goal": _pressures(found.goal),
        "goal_set_by": found.goal_set_by,
        "below_goal": found.below_goal,
        "excluded": [{"reading_id": name, "reason": reason} for name, reason in found.excluded],
        "used_ids": list(found.used_ids),
        "spread_of": found.spread.unit,
        "sd": _pair(found.sd),
        "cv": _pair(found.cv),
        "arv": _pair(found.arv),
        "rmssd": _pair(found.spread.rmssd),
        "standard_error": _pair(found.standard_error),
        "margin": _pair(found.margin),
        "first_to_second": _pair(found.first_to_second),
        "morning_minus_evening": _pair(found.morning_minus_evening),
        "pulse_pressure": found.pulse_pressure,
        "mean_pressure_estimate": found.mean_pressure,
        "load": {name: getattr(found.load, name) for name in ("systolic", "diastolic", "either", "of", "last_ten")},
        "irregular": {
            "readings": found.irregular.readings,
            "of": found.irregular.of,
            "days": found.irregular.days,
            "worth_telling": found.irregular.worth_telling,
        },
        "hand_written": found.hand_written,
        "uncertain_times": found.uncertain_times,
        "too_close": found.too_close,
        "implausible": [{"reading_id": name, "mark": mark} for name, mark in found.implausible],
        "completeness": {
            "had": found.had,
            "wanted": found.wanted,
            "grid": [
                {
                    "day": row.day.isoformat(),
                    "number": row.number,
                    "left_out": row.left_out,
                    **{
                        session: {"taken": cell.taken, "used": cell.used, "wanted": cell.wanted}
                        for session, cell in (("morning", row.morning), ("evening", row.evening))
                    },
                }
                for row in found.grid
            ],
        },
    }


def change_fields(found: Change) -> dict[str, object]:
    """Everything of a comparison but whose it is. `difference` is after minus before."""
    return {
        "at": found.at.isoformat(),
        "washout_days": found.washout_days,
        "protocol": found.protocol.name,
        "unit": "mmHg",
        "compared": found.overall is not None,
        "refused": list(found.refused),
        "overall": _compared(found.overall),
        "morning": _compared(found.morning),
        "evening": _compared(found.evening),
        "noise_floor": list(found.noise_floor),
        "cautions": list(found.cautions),
        "before": average_fields(found.before),
        "after": average_fields(found.after),
    }


def trend_fields(found: Trend) -> dict[str, object]:
    """Weeks, months and the moving mean."""
    return {
        "unit": "mmHg",
        "window_days": found.window_days,
        "threshold": _pressures(found.threshold),
        "weeks": [_stretch(one) for one in found.weeks],
        "months": [_stretch(one) for one in found.months],
        "moving": [
            {
                "day": one.day.isoformat(),
                "days": one.days,
                "systolic": _rounded(one.systolic),
                "diastolic": _rounded(one.diastolic),
                "margin": _pair(one.margin),
            }
            for one in found.moving
        ],
    }


def protocol_fields(found: Protocol) -> dict[str, object]:
    """A protocol with its source, and which of its figures are from memory or a choice of ours."""
    handling = found.handling
    return {
        "name": found.name,
        "title": found.title,
        "edition": found.edition,
        "source": found.source,
        "threshold": _pressures(found.threshold),
        "target": _pressures(found.target),
        "target_note": found.target_note,
        "second_threshold": _pressures(found.second_threshold),
        "min_days": found.min_days,
        "preferred_days": found.preferred_days,
        "per_session": found.per_session,
        "af_per_session": found.af_per_session,
        "gap_s": found.gap_s,
        "drop_days": list(found.drop_days),
        "drop_first_of_session": found.drop_first_of_session,
        "min_readings": found.min_readings,
        "min_readings_used": found.min_readings_used,
        "consecutive_days": found.consecutive_days,
        "averaging": found.averaging,
        "when": found.when,
        "notes": list(found.notes),
        "from_memory": sorted(found.from_memory),
        "our_choice": sorted(found.our_choice),
        "handling": {
            "morning": str(handling.morning),
            "evening": str(handling.evening),
            "outside": handling.outside,
            "sitting_gap_s": handling.sitting_gap_s,
            "exclude_flags": sorted(handling.exclude_flags),
            "extra": handling.extra,
            "uncertain_time": handling.uncertain_time,
            "implausible": handling.implausible,
            "series_gap_days": handling.series_gap_days,
        },
    }


def _day(day: date | None) -> str | None:
    return day.isoformat() if day else None


def _pressures(value: Pressures | None) -> dict[str, Decimal] | None:
    return None if value is None else {"systolic": value.systolic, "diastolic": value.diastolic}


def _pair(value: Pair | None) -> dict[str, float] | None:
    return None if value is None else {"systolic": _rounded(value.systolic), "diastolic": _rounded(value.diastolic)}


def _mean(value: Mean | None) -> dict[str, object] | None:
    if value is None:
        return None
    return {
        "systolic": value.systolic,
        "diastolic": value.diastolic,
        "pulse": value.pulse,
        "readings": value.readings,
        "days": value.days,
        "margin": _pair(value.margin),
    }


def _stretch(one: Stretch) -> dict[str, object]:
    return {
        "from": one.first.isoformat(),
        "to": one.last.isoformat(),
        "days": one.days,
        "readings": one.readings,
        "systolic": _rounded(one.systolic),
        "diastolic": _rounded(one.diastolic),
        "margin": _pair(one.margin),
    }


def _compared(found: Compared | None) -> dict[str, object] | None:
    if found is None:
        return None
    return {
        "days_before": found.days_before,
        "days_after": found.days_after,
        "effective_before": _rounded(found.effective_before),
        "effective_after": _rounded(found.effective_after),
        "systolic": _difference(found.systolic),
        "diastolic": _difference(found.diastolic),
    }


def _difference(one: Difference) -> dict[str, object]:
    pairs = {
        "interval": (one.low, one.high),
        "interval_neighbours": (one.low_neighbours, one.high_neighbours),
        "interval_bootstrap": (one.low_bootstrap, one.high_bootstrap),
    }
    return {
        "before": _rounded(one.before),
        "after": _rounded(one.after),
        "difference": _rounded(one.difference),
        **{name: [_rounded(low), _rounded(high)] for name, (low, high) in pairs.items()},
        "df": None if one.df is None else _rounded(one.df),
        "noise": _rounded(one.noise),
        "clear": one.clear,
    }


def _rounded(value: float) -> float:
    return round(value, 6) + 0.0

"""Weeks or months as rows of words."""

from decimal import Decimal

from collector.numbers.trend import PeriodMean, Trend
from collector.numbers.values import rounded_text

WEEKS_AT_MOST = 20
"""More of them are shown as months, unless asked for."""
AT_OR_ABOVE = "at or above the threshold"

Cells = tuple[str, ...]


def trend_rows(found: Trend, monthly: bool) -> tuple[Cells, list[Cells]]:
    """The heading and a row a period; a mean with * is at or above the threshold."""
    heading = ("month" if monthly else "week from", "mmHg", "give or take", "readings", "days")
    return heading, [_row(one, found, monthly) for one in (found.months if monthly else found.weeks)]


def _row(one: PeriodMean, found: Trend, monthly: bool) -> Cells:
    pair = "/".join(
        rounded_text(value, beside=bound)
        for value, bound in (
            (Decimal(repr(one.systolic)), found.threshold.systolic),
            (Decimal(repr(one.diastolic)), found.threshold.diastolic),
        )
    )
    high = one.systolic >= found.threshold.systolic or one.diastolic >= found.threshold.diastolic
    margin = f"{rounded_text(one.margin.systolic)}/{rounded_text(one.margin.diastolic)}" if one.margin else "not known"
    name = one.first.isoformat()[:7] if monthly else one.first.isoformat()
    return name, pair + (" *" if high else "  "), margin, str(one.readings), str(one.days)

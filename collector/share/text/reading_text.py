"""One reading as a person sees it: '128/81', '?/81', 'no value'. Every screen, page and notice takes it from here."""

from decimal import Decimal

from collector.numbers.values import Sample, exact_text, rounded_text

NO_VALUE = "no value"


def pressures_text(systolic: Decimal | None, diastolic: Decimal | None, places: int | None = 0) -> str:
    """Systolic over diastolic. places: so many decimals; None: the digits it has. '?' where one was not obtained."""
    if systolic is None and diastolic is None:
        return NO_VALUE
    return "/".join(value_text(value, places) for value in (systolic, diastolic))


def value_text(value: Decimal | None, places: int | None = 0) -> str:
    """One pressure; '?' where it was not obtained."""
    if value is None:
        return "?"
    return exact_text(value) if places is None else rounded_text(value, places)


def measured_text(one: Sample) -> str:
    """With the unit, the pulse and what the cuff flagged: '128/81 mmHg, pulse 64/min; irregular pulse'."""
    if one.systolic is None or one.diastolic is None:
        return NO_VALUE
    pulse = f", pulse {exact_text(one.pulse)}/min" if one.pulse is not None else ""
    marks = f"; {', '.join(sorted(one.status))}" if one.status else ""
    return f"{pressures_text(one.systolic, one.diastolic)} mmHg{pulse}{marks}"

"""Levels of blood pressure, mmHg: very high, low, office classes, and what an office threshold is at home.

A home mean has no office class: a class needs values taken in the office.
"""

from decimal import Decimal

from collector.numbers.values import Pressures


def _level(systolic: int, diastolic: int) -> Pressures:
    return Pressures(Decimal(systolic), Decimal(diastolic))


VERY_HIGH = _level(180, 120)
"""Either value, the bounds included. The American Heart Association's page for patients says '180/120 or greater', its
2025 guideline '>180/120'; the inclusive reading is the cautious one."""

LOW = _level(90, 60)
"""Below in either. The usual label (common practice); it matters with symptoms. A plan can move it."""

OFFICE_TO_HOME = (
    (_level(120, 80), _level(120, 80)),
    (_level(130, 80), _level(130, 80)),
    (_level(140, 90), _level(135, 85)),
    (_level(160, 100), _level(145, 90)),
)
"""Office and home values that stand for each other. Source: AHA/ACC 2025 guideline, pocket guide, table 7."""


def is_very_high(systolic: Decimal | None, diastolic: Decimal | None) -> bool:
    return bool(very_high_values(systolic, diastolic))


def very_high_values(systolic: Decimal | None, diastolic: Decimal | None) -> list[Decimal]:
    """Those of the two that are very high."""
    pairs = ((systolic, VERY_HIGH.systolic), (diastolic, VERY_HIGH.diastolic))
    return [value for value, bound in pairs if value is not None and value >= bound]


def is_low(systolic: Decimal | None, diastolic: Decimal | None, bound: Pressures = LOW) -> bool:
    return (systolic is not None and systolic < bound.systolic) or (
        diastolic is not None and diastolic < bound.diastolic
    )


def office_of(home: Pressures) -> Pressures | None:
    """The office value that a home threshold stands for; None where no source gives one."""
    return next((office for office, at_home in OFFICE_TO_HOME if at_home == home), None)


def acc_aha_office_class(systolic: Decimal, diastolic: Decimal) -> str:
    """The higher of the two decides. Source: ACC/AHA 2017, unchanged in 2025 (read in summaries)."""
    if systolic >= 140 or diastolic >= 90:
        return "stage 2"
    if systolic >= 130 or diastolic >= 80:
        return "stage 1"
    return "elevated" if systolic >= 120 else "normal"


def esh_office_class(systolic: Decimal, diastolic: Decimal) -> str:
    """The higher of the two decides; isolated forms are named where only one value is raised. Source: ESH 2023, table
    of classes (read in summaries; isolated diastolic from memory)."""
    if systolic >= 140 and diastolic < 90:
        return f"isolated systolic hypertension, {_esh_grade(systolic, diastolic)}"
    if systolic < 140 and diastolic >= 90:
        return f"isolated diastolic hypertension, {_esh_grade(systolic, diastolic)}"
    return _esh_grade(systolic, diastolic)


def _esh_grade(systolic: Decimal, diastolic: Decimal) -> str:
    for name, upper, lower in (
        ("grade 3", 180, 110),
        ("grade 2", 160, 100),
        ("grade 1", 140, 90),
        ("high-normal", 130, 85),
        ("normal", 120, 80),
    ):
        if systolic >= upper or diastolic >= lower:
            return name
    return "optimal"

"""Values that no measurement can mean. They are marked, never dropped: the person and the physician decide.

The limits are a choice of this project for spotting slips of the pen and failed measurements, not for diagnosis; no
source gives them. Some surveys record a diastolic of 0 (sounds heard down to zero): from a home cuff it is an error.
"""

from decimal import Decimal
from functools import lru_cache

SYSTOLIC = (50, 280)  # mmHg, both included
DIASTOLIC = (20, 180)
LEAST_PULSE_PRESSURE = 10  # systolic minus diastolic, mmHg
PULSE = (25, 220)  # per minute


def marks(systolic: Decimal | None, diastolic: Decimal | None, pulse: Decimal | None = None) -> tuple[str, ...]:
    """What is implausible, each in words; empty when all is well. A value that was not obtained is no mark."""
    found = []
    for name, value, (least, most), unit in (
        ("systolic", systolic, SYSTOLIC, "mmHg"),
        ("diastolic", diastolic, DIASTOLIC, "mmHg"),
        ("pulse", pulse, PULSE, "per minute"),
    ):
        if value is not None and _outside(value, least, most):
            found.append(f"{name} {value:f} {unit} is outside {least} to {most}")
    if systolic is not None and diastolic is not None and systolic - diastolic < LEAST_PULSE_PRESSURE:
        found.append(f"systolic {systolic:f} is less than {LEAST_PULSE_PRESSURE} mmHg over diastolic {diastolic:f}")
    return tuple(found)


def implausible(systolic: Decimal | None, diastolic: Decimal | None, pulse: Decimal | None) -> bool:
    """Whether there are any marks."""
    return _implausible_pressures(systolic, diastolic) or (pulse is not None and _outside(pulse, *PULSE))


@lru_cache(maxsize=4096)
def _implausible_pressures(systolic: Decimal | None, diastolic: Decimal | None) -> bool:
    return bool(marks(systolic, diastolic))


@lru_cache(maxsize=4096)
def _outside(value: Decimal, least: int, most: int) -> bool:
    """Remembered: a rebuild asks this of the same few hundred numbers over and over."""
    return not least <= value <= most

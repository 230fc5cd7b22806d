"""The words that go with a very high reading, wherever the command line shows one."""

from collections.abc import Iterator
from decimal import Decimal

from collector.store.values import Reading

VERY_HIGH_SYSTOLIC, VERY_HIGH_DIASTOLIC = 180, 120
"""mmHg, either of them, itself included. Source: the American Heart Association's page for patients on very
high readings (180 and/or 120 or greater)."""

_MMHG_PER_KPA = Decimal("7.500615758456564")  # 1 kPa = 1000/133.322387415 mmHg


def very_high(reading: Reading) -> bool:
    """Whether either pressure is at or above the bounds."""
    factor = _MMHG_PER_KPA if reading.unit == "kPa" else 1
    return any(value is not None and value * factor >= bound for value, bound in (
        (reading.systolic, VERY_HIGH_SYSTOLIC), (reading.diastolic, VERY_HIGH_DIASTOLIC)))


def caution(emergency_number: str) -> Iterator[str]:
    """Lines to say after very high readings. emergency_number: empty where none is configured."""
    number = f"the emergency number, {emergency_number}," if emergency_number else "your emergency number"
    yield ("VERY HIGH marks readings of 180 or more over, or 120 or more under (mmHg). Taken just now? "
           "Sit quietly for five minutes and measure again. As high again? Call your clinic today.")
    yield ("Chest pain, short of breath, weak or numb on one side, trouble with speech or sight, confusion, "
           f"a sudden bad headache? Call {number} now, without measuring again. Pregnant, or lately so? Call "
           "your clinic at lower values too.")
    yield "Measured at home: not a diagnosis. Change no medicine on your own."

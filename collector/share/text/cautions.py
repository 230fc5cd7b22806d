"""Which readings are very high, and the words that go with a list that holds one. What they say: `numbers.words`."""

from collections.abc import Iterator
from decimal import Decimal

from collector.numbers.levels import is_very_high
from collector.store.values import Reading, exact_mmhg


def very_high(reading: Reading) -> bool:
    """Whether either pressure is at or above the bounds, themselves included."""
    return very_high_pressure(reading.systolic, reading.diastolic, reading.unit)


def very_high_pressure(systolic: Decimal | None, diastolic: Decimal | None, unit: str) -> bool:
    """The same of bare pressures. unit: 'mmHg' or 'kPa'."""
    return is_very_high(exact_mmhg(systolic, unit), exact_mmhg(diastolic, unit))


def caution(emergency_number: str) -> Iterator[str]:
    """What to say after a list that holds very high readings. emergency_number: empty where none is configured."""
    from collector.numbers import words  # `readings` starts without: most lists have nothing very high in them

    yield words.very_high_in_a_list()
    yield words.signs(emergency_number)
    yield words.pregnancy(emergency_number)
    yield words.CHILDREN
    yield words.NOT_A_DIAGNOSIS

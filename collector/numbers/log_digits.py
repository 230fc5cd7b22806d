"""What a hand-written log tells by its digits: values rounded to tens, sittings copied. To ask about, never to accuse.

Rules and their false alarms are a choice of this project, simulated (docs/decisions/averages.md): one honest log in a
thousand is asked about. Typed home values that both end in 0 are under 2 in 100 (BMJ Open 2018;8:e019431).
"""

from collections.abc import Sequence
from dataclasses import dataclass
from decimal import Decimal
from math import comb

from collector.numbers.values import Sample

LEAST_READINGS = 12
UNLIKELY = 0.001
ROUND_SHARE = 0.20
ALL_EVEN_SHARE = 0.35
COPIED_SITTINGS = 3


@dataclass(frozen=True, slots=True)
class Digits:
    """Last digits of systolic and diastolic together. chance: of so many zeros or more by nature."""

    values: int
    zeros: int
    chance: float
    worth_asking: bool


def last_digits(values: Sequence[Decimal]) -> Digits | None:
    """None for values of fewer than 12 readings. values: systolic and diastolic, whole mmHg; others do not count."""
    digits = [int(value) % 10 for value in values if value == int(value)]
    if len(digits) < 2 * LEAST_READINGS:
        return None
    zeros, fives = digits.count(0), digits.count(5)
    even = all(digit % 2 == 0 for digit in digits)
    expected, least = (0.2, ALL_EVEN_SHARE) if even else (0.1, ROUND_SHARE)
    chance = at_least(zeros, len(digits), expected)
    with_fives = at_least(zeros + fives, len(digits), 0.2)
    told = (zeros / len(digits) >= least and chance < UNLIKELY) or (not even and with_fives < UNLIKELY)
    return Digits(len(digits), zeros, chance, told)


def at_least(count: int, of: int, share: float) -> float:
    """The chance of `count` or more in `of` tries (binomial)."""
    return min(1.0, sum(comb(of, k) * share**k * (1 - share) ** (of - k) for k in range(count, of + 1)))


def copied(sittings: Sequence[Sequence[Sample]]) -> int:
    """How many sittings have a second reading equal to the first in both pressures; from three on worth asking.

    Of honest sittings 6 in 1000 do (simulated).
    """
    return sum(
        len(one) > 1 and (one[0].systolic, one[0].diastolic) == (one[1].systolic, one[1].diastolic) for one in sittings
    )

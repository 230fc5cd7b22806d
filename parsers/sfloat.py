"""The medical 16-bit SFLOAT and 32-bit FLOAT: a decimal mantissa and exponent, and five words for no value.

Source: IEEE 11073-20601, FLOAT-Type and SFLOAT-Type; HL7 Personal Health Device implementation guide,
"Special values and FLOATs". The exponent is signed two's complement, not biased: 0x0078 is 120.
"""

from dataclasses import dataclass, field
from decimal import Decimal
from enum import Enum
from functools import lru_cache
from typing import ClassVar, Self


class Absence(Enum):
    """Why there is no number."""

    NAN = "nan"  # the measurement gave no valid result
    NRES = "nres"  # not at this resolution: cannot be expressed
    PLUS_INFINITY = "+inf"
    MINUS_INFINITY = "-inf"
    RESERVED = "reserved"

    @property
    def words(self) -> str:
        return _ABSENCE_WORDS[self]


_ABSENCE_WORDS = {
    Absence.NAN: "no valid result",
    Absence.NRES: "not at this resolution",
    Absence.PLUS_INFINITY: "too high to say",
    Absence.MINUS_INFINITY: "too low to say",
    Absence.RESERVED: "reserved value",
}


@dataclass(frozen=True, slots=True)
class _MedicalFloat:
    """value = mantissa × 10^exponent, with the precision that was sent; None when `absence` says why."""

    word: int
    mantissa: int = field(init=False, compare=False)
    exponent: int = field(init=False, compare=False)
    absence: Absence | None = field(init=False, compare=False)
    value: Decimal | None = field(init=False, compare=False)

    MANTISSA_BITS: ClassVar[int]
    EXPONENT_BITS: ClassVar[int]

    def __post_init__(self) -> None:
        if not 0 <= self.word < 1 << (self.MANTISSA_BITS + self.EXPONENT_BITS):
            raise ValueError(f"{self.word:#x} does not fit {type(self).__name__}")
        mantissa = _signed(self.word, self.MANTISSA_BITS)
        exponent = _signed(self.word >> self.MANTISSA_BITS, self.EXPONENT_BITS)
        # The whole word decides: with any other exponent the same mantissas are ordinary numbers.
        absence = self._specials().get(self.word)
        value = None if absence else Decimal((mantissa < 0, _digits(mantissa), exponent))
        for name, content in (("mantissa", mantissa), ("exponent", exponent), ("absence", absence), ("value", value)):
            object.__setattr__(self, name, content)

    @classmethod
    def _specials(cls) -> dict[int, Absence]:
        top = 1 << (cls.MANTISSA_BITS - 1)
        return {
            top - 1: Absence.NAN,
            top: Absence.NRES,
            top - 2: Absence.PLUS_INFINITY,
            top + 2: Absence.MINUS_INFINITY,
            top + 1: Absence.RESERVED,
        }

    @classmethod
    def absent(cls, why: Absence = Absence.NAN) -> Self:
        """The word for 'no value'."""
        return cls(next(word for word, absence in cls._specials().items() if absence is why))

    @classmethod
    def of(cls, number: Decimal | int | str) -> Self:
        """The word for a number with its precision: '120' and '120.0' differ.

        Trailing zeros are given up where the mantissa has no room for them. Raises ValueError for a
        number that the format cannot hold exactly, or only as one of the words for no value.
        """
        decimal = Decimal(number)
        if not decimal.is_finite():
            return cls.absent(
                Absence.NAN if decimal.is_nan() else Absence.PLUS_INFINITY if decimal > 0 else Absence.MINUS_INFINITY
            )
        sign, digits, raw_exponent = decimal.as_tuple()
        exponent = int(raw_exponent)
        mantissa = int("".join(map(str, digits)) or "0") * (-1 if sign else 1)
        low, high = -(1 << (cls.EXPONENT_BITS - 1)), (1 << (cls.EXPONENT_BITS - 1)) - 1
        limit = 1 << (cls.MANTISSA_BITS - 1)
        if mantissa == 0:
            exponent = min(max(exponent, low), high)
        while mantissa % 10 == 0 and mantissa and (exponent < low or not -limit <= mantissa < limit):
            mantissa, exponent = mantissa // 10, exponent + 1
        while exponent > high and -limit <= mantissa < limit:
            mantissa, exponent = mantissa * 10, exponent - 1
        if not (-limit <= mantissa < limit and low <= exponent <= high):
            raise ValueError(f"{number} does not fit {cls.__name__} exactly")
        made = cls(
            (exponent & ((1 << cls.EXPONENT_BITS) - 1)) << cls.MANTISSA_BITS | mantissa & ((1 << cls.MANTISSA_BITS) - 1)
        )
        if made.absence:
            raise ValueError(f"{number} does not fit {cls.__name__}: its word means '{made.absence.words}'")
        return made

    def __str__(self) -> str:
        return format(self.value, "f") if self.value is not None else f"– ({_ABSENCE_WORDS[self._why()]})"

    def _why(self) -> Absence:
        assert self.absence is not None
        return self.absence

    def __repr__(self) -> str:
        digits = (self.MANTISSA_BITS + self.EXPONENT_BITS) // 4
        return f"{type(self).__name__}(0x{self.word:0{digits}x}: {self})"


class SFloat(_MedicalFloat):
    """16 bits: exponent −8 to 7, mantissa −2048 to 2047."""

    __slots__ = ()
    MANTISSA_BITS = 12
    EXPONENT_BITS = 4

    @staticmethod
    @lru_cache(maxsize=4096)
    def from_word(word: int) -> "SFloat":
        """As `SFloat(word)`, remembered: a household's readings use a few hundred words."""
        return SFloat(word)


class Float(_MedicalFloat):
    """32 bits: exponent −128 to 127, mantissa −8388608 to 8388607."""

    __slots__ = ()
    MANTISSA_BITS = 24
    EXPONENT_BITS = 8

    @staticmethod
    def from_word(word: int) -> "Float":
        return Float(word)


def _signed(word: int, bits: int) -> int:
    word &= (1 << bits) - 1
    return word - (1 << bits) if word >> (bits - 1) else word


def _digits(mantissa: int) -> tuple[int, ...]:
    return tuple(map(int, str(abs(mantissa))))

"""SFLOAT and FLOAT: every word, both ways."""

import pickle
from decimal import Decimal

import pytest
from hypothesis import given
from hypothesis import strategies as st

from parsers.sfloat import Absence, Float, SFloat

SPECIALS = {
    0x07FF: Absence.NAN,
    0x0800: Absence.NRES,
    0x07FE: Absence.PLUS_INFINITY,
    0x0802: Absence.MINUS_INFINITY,
    0x0801: Absence.RESERVED,
}


def test_every_sfloat_word_against_plain_arithmetic() -> None:
    for word in range(0x10000):
        mantissa, exponent = word % 4096, word // 4096
        mantissa -= 4096 * (mantissa > 2047)
        exponent -= 16 * (exponent > 7)
        number = SFloat.from_word(word)
        assert (number.word, number.mantissa, number.exponent) == (word, mantissa, exponent)
        assert number.absence is SPECIALS.get(word)
        if word in SPECIALS:
            assert number.value is None
        else:
            assert number.value is not None
            assert number.value == Decimal(mantissa) * Decimal(10) ** exponent
            if mantissa:
                assert number.value.as_tuple().exponent == exponent
                assert SFloat.of(number.value) == number


@given(st.integers(0, 0xFFFFFFFF))
def test_float_words(word: int) -> None:
    number = Float.from_word(word)
    assert number.word == word
    if number.value is not None and number.mantissa:
        assert number.value == Decimal(number.mantissa).scaleb(number.exponent)
        assert Float.of(number.value) == number


@pytest.mark.parametrize(
    ("text", "word"),
    [
        ("120", 0x0078),
        ("120.0", 0xF4B0),
        ("-1", 0x0FFF),
        ("0", 0x0000),
        ("0.00", 0xE000),
        ("18.9", 0xF0BD),
        ("2047.0", None),
        ("2047", None),
        ("2046", None),
        ("-2048", None),
        ("-2047", None),
        ("-2046", None),
        ("2045", 0x07FD),
        ("2048", None),
        ("204.75", None),
        ("20480", None),
        ("-20480", 0x1800),
        ("20470", 0x17FF),
        ("200000", 0x27D0),
        ("12000.00", 0x14B0),
        ("1E9", 0x7064),
        ("1E10", 0x73E8),
        ("1E11", None),
        ("1E999999", None),
        ("0.000000001", None),
        ("0.0000000010", None),
        ("0.00000001000", 0x8001),
        ("0E50", 0x7000),
        ("0E-50", 0x8000),
        ("NaN", 0x07FF),
        ("Infinity", 0x07FE),
        ("-Infinity", 0x0802),
    ],
)
def test_a_number_becomes_the_word_with_its_precision(text: str, word: int | None) -> None:
    if word is None:
        with pytest.raises(ValueError, match="does not fit SFloat"):
            SFloat.of(text)
        return
    made = SFloat.of(text)
    assert made.word == word
    if made.value is not None:
        assert made.value == Decimal(text)


def test_precision_is_kept_apart_from_the_number() -> None:
    whole, tenths = SFloat.of("120"), SFloat.of("120.0")
    assert whole != tenths
    assert whole.value == tenths.value
    assert (str(whole), str(tenths)) == ("120", "120.0")


@pytest.mark.parametrize("why", Absence)
def test_no_value_is_named(why: Absence) -> None:
    for kind in (SFloat, Float):
        number = kind.absent(why)
        assert number.absence is why
        assert number.value is None
        assert why.words in str(number)
        assert why.words in repr(number)


def test_words_that_do_not_fit_are_refused() -> None:
    for kind, word in ((SFloat, 0x10000), (SFloat, -1), (Float, 1 << 32)):
        with pytest.raises(ValueError, match="does not fit"):
            kind(word)


def test_values_travel_between_processes() -> None:
    for number in (SFloat(0xF4B0), Float(0xFF00016C), SFloat.absent()):
        assert pickle.loads(pickle.dumps(number)) == number
        assert pickle.loads(pickle.dumps(number)).value == number.value


@pytest.mark.parametrize(("number", "mantissa", "exponent"), [("1.0E-7", 10, -8), ("10E+7", 10, 7), ("2E+8", 20, 7)])
def test_precision_is_kept_at_the_ends_of_the_exponent(number: str, mantissa: int, exponent: int) -> None:
    assert SFloat.of(number).word == (exponent & 0xF) << 12 | mantissa


def test_a_word_is_shown_with_all_its_digits() -> None:
    assert repr(SFloat.of(120)) == "SFloat(0x0078: 120)"
    assert repr(Float.of("120.0")) == "Float(0xff0004b0: 120.0)"

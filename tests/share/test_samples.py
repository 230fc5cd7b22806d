"""Readings of the store as the numbers take them."""

from dataclasses import replace
from datetime import UTC, datetime
from decimal import Decimal
from zoneinfo import ZoneInfo

import pytest
from hypothesis import given
from hypothesis import strategies as st
from one_reading import one_reading

from collector.share.samples import exact_mmhg, sample, samples
from collector.store.values import HAND_COPY, NOTED_AGAIN, STANDING, VOID_MARKS, Basis

TAKEN = datetime(2031, 3, 4, 23, 30, tzinfo=ZoneInfo("Europe/Lisbon"))
READING = one_reading(
    reading_id="3f9a",
    mean=None,
    taken_at=TAKEN,
    taken_uncertainty_s=2.0,
    received_at=TAKEN.astimezone(UTC),
    status=("irregular pulse",),
    status_raw=4,
    assessed=("irregular pulse",),
    stamp="2031-03-04T23:30:00",
    payload="1e",
)


def test_a_reading_keeps_its_id_its_wall_clock_and_its_flags() -> None:
    made = sample(READING)
    assert (made.reading_id, made.systolic, made.diastolic, made.pulse) == ("3f9a", 128, 81, 64)
    assert made.taken_at.isoformat() == "2031-03-04T23:30:00+00:00"
    assert made.taken_at.tzinfo == ZoneInfo("Europe/Lisbon")
    assert made.status == {"irregular pulse"}
    assert made.certain_time
    assert made.source == "cuff"


def test_kilopascal_become_mmhg_without_rounding() -> None:
    """1 mmHg = 133.322387415 Pa exactly (conventional millimetre of mercury: density 13.5951 g/cm³, g 9.80665 m/s²)."""
    value = exact_mmhg(Decimal("16.0"), "kPa")
    assert value is not None
    assert abs(value * Decimal("133.322387415") / 1000 - 16) < Decimal("1e-14")
    assert exact_mmhg(Decimal("128.0"), "mmHg") == Decimal("128.0")
    assert exact_mmhg(None, "kPa") is None


def test_every_pressure_of_a_reading_in_kilopascal_is_converted() -> None:
    """16.0/10.7, mean 12.5 kPa are 120.0/80.3, 93.8 mmHg."""
    kpa = replace(READING, systolic=Decimal("16.0"), diastolic=Decimal("10.7"), mean=Decimal("12.5"), unit="kPa")
    made = sample(kpa)
    values = made.systolic, made.diastolic, made.mean
    assert [value and round(value, 1) for value in values] == [Decimal("120.0"), Decimal("80.3"), Decimal("93.8")]


@pytest.mark.parametrize("mark", sorted(VOID_MARKS))
def test_what_counts_nowhere_says_why(mark: str) -> None:
    made = sample(replace(READING, marks=("bond renewed", mark)))
    assert (made.void, made.upright) == (mark, mark == STANDING)
    assert made.noted_again == (mark in NOTED_AGAIN)
    both = sample(replace(READING, marks=(mark, STANDING, HAND_COPY)))
    assert not both.upright
    assert mark in both.void
    assert not sample(READING).void


@given(st.integers(1, 9999), st.integers(-2, 0))
def test_a_converted_value_has_every_digit(digits: int, exponent: int) -> None:
    value = Decimal(digits).scaleb(exponent)
    converted = exact_mmhg(value, "kPa")
    assert converted is not None
    assert converted / Decimal("7.500615758456564") == value


@pytest.mark.parametrize(
    ("basis", "uncertainty", "marks", "certain"),
    [
        (Basis.CORRECTED, 2.0, (), True),
        (Basis.CORRECTED, None, (), True),
        (Basis.CORRECTED, 1800.0, (), True),
        (Basis.CORRECTED, 1801.0, ("clock changed",), False),
        (Basis.CORRECTED, None, ("stamps run backwards",), False),
        (Basis.ESTIMATED, 60.0, (), True),
        (Basis.CUFF, 60.0, (), True),
        (Basis.CUFF, None, (), False),
        (Basis.ARRIVAL, None, (), False),
        (Basis.ARRIVAL, None, ("stamp in the future",), False),
        (Basis.HAND, None, (), True),
        (Basis.CORRECTED, 2.0, ("autumn hour",), True),
        (Basis.CORRECTED, 2.0, ("station clock unsure",), False),
    ],
)
def test_when_a_time_is_certain(basis: Basis, uncertainty: float | None, marks: tuple[str, ...], certain: bool) -> None:
    assert (
        sample(replace(READING, taken_basis=basis, taken_uncertainty_s=uncertainty, marks=marks)).certain_time
        is certain
    )


def test_what_was_written_by_hand_is_told_apart() -> None:
    assert [made.source for made in samples([replace(READING, taken_basis=Basis.HAND)])] == ["hand-written"]


def test_a_failed_measurement_has_no_values() -> None:
    made = sample(replace(READING, systolic=None, diastolic=None, pulse=None, marks=("failed",)))
    assert (made.systolic, made.diastolic, made.pulse) == (None, None, None)

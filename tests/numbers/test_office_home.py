"""Office values: the mean of a visit, and home against office with its chances, on worked examples."""

from datetime import date, timedelta
from decimal import Decimal

import pytest

from collector.numbers.office_home import (
    OfficeHome,
    OfficeReadings,
    against_home,
    error_of_visits,
    together,
    visits_that_count,
)
from collector.numbers.usual import DIASTOLIC, SYSTOLIC, DayMeans, Usual, usual
from collector.numbers.values import Pressures

DAY = date(2026, 3, 1)


def home_week() -> tuple[Usual, Usual]:
    """Two mornings and two evenings a day; day 1 is left out."""
    days = (1, 2, 3, 4, 5, 6)
    systolic = (134.75, 137.0, 131.0, 137.25, 132.5, 138.25)
    diastolic = (85.0, 86.75, 82.25, 86.5, 83.25, 87.0)
    return tuple(
        usual(DayMeans(means, days, sessions=2, readings=4), parts)
        for means, parts in ((systolic, SYSTOLIC), (diastolic, DIASTOLIC))
    )  # type: ignore[return-value]


def pressures(systolic: float, diastolic: float) -> Pressures:
    return Pressures(Decimal(str(systolic)), Decimal(str(diastolic)))


def visit(*readings: tuple[float, float], day: date = DAY) -> OfficeReadings:
    return OfficeReadings(day, tuple(pressures(*one) for one in readings))


def test_the_last_two_of_three_make_the_mean_of_a_visit() -> None:
    assert visit((150, 95), (140, 90), (138, 88)).mean == pressures(139, 89)
    assert visit((150, 95), (140, 90)).mean == pressures(145, 92.5)
    assert visit((144, 91)).mean == pressures(144, 91)


@pytest.mark.parametrize(
    ("readings", "another"),
    [
        (((150, 90), (139, 90)), True),
        (((150, 90), (140, 90)), False),
        (((150, 101), (150, 90)), True),
        (((150, 90), (139, 90), (140, 90)), False),
        (((150, 90),), False),
    ],
)
def test_first_two_readings_far_apart_want_another(readings: tuple[tuple[int, int], ...], another: bool) -> None:
    assert visit(*readings).another_reading is another


def test_home_and_office_together() -> None:
    systolic, diastolic = home_week()
    assert [round(error_of_visits(2, parts), 4) for parts in (SYSTOLIC, DIASTOLIC)] == [8.0278, 4.8523]
    told = [together(141.5, 2, systolic, 5, 9), together(89, 2, diastolic, 3, 6)]
    assert [
        tuple(round(v, 4) for v in (one.office, one.office_sd, one.home, one.home_sd, one.correlation)) for one in told
    ] == [(140.9634, 6.2687, 135.2891, 4.1658, 0.2944), (88.6945, 3.9147, 85.2274, 2.6399, 0.2667)]


@pytest.mark.parametrize(
    ("home_bound", "wanted", "called"),
    [
        ((135, 85), {"sustained": 0.4552, "white-coat": 0.1666, "masked": 0.2128, "both below": 0.1655}, None),
        ((130, 80), {"sustained": 0.9794, "white-coat": 0.0145, "masked": 0.0056, "both below": 0.0005}, "sustained"),
    ],
)
def test_classes_with_their_chances(home_bound: tuple[int, int], wanted: dict[str, float], called: str | None) -> None:
    visits = [visit((144, 91)), visit((139, 87), day=DAY + timedelta(7))]
    found = against_home(visits, home_week(), pressures(135.125, 85.125), pressures(*home_bound))
    assert found
    assert dict(zip(map(str, OfficeHome), (round(one, 4) for one in found.chances), strict=True)) == wanted
    assert found.called == called
    assert found.by_means is OfficeHome.SUSTAINED
    assert found.mean == pressures(141.5, 89)


@pytest.mark.parametrize(
    ("office", "home", "named"),
    [
        ((150, 85), (128, 80), "white-coat"),
        ((138, 95), (128, 80), "white-coat"),
        ((138, 88), (137, 80), "masked"),
        ((140, 80), (135, 70), "sustained"),
        ((139, 89), (134.9, 84.9), "both below"),
    ],
)
def test_the_definition_by_means(office: tuple[int, int], home: tuple[float, float], named: str) -> None:
    found = against_home([visit(office)], home_week(), pressures(*home), pressures(135, 85))
    assert found
    assert found.by_means == named


def test_no_bounds_no_class_and_no_visit_nothing() -> None:
    assert against_home([], home_week(), pressures(135, 85), pressures(135, 85)) is None
    other = against_home([visit((150, 90))], home_week(), pressures(135, 85), pressures(131, 81))
    assert other
    assert other.by_means is None
    assert other.chances == ()
    alone = against_home([visit((150, 90))], None, None, pressures(135, 85))
    assert alone
    assert alone.mean == pressures(150, 90)


def test_an_office_far_above_home_is_a_white_coat_effect() -> None:
    for office, effect in (((150, 90), False), ((156, 90), True), ((140, 96), True), ((155, 95), False)):
        found = against_home([visit(office)], home_week(), pressures(135, 85), pressures(135, 85))
        assert found
        assert found.white_coat_effect is effect


def test_one_visit_a_day_counts_and_those_near_the_averaged_days() -> None:
    early, wrong, right = visit((150, 90), day=DAY - timedelta(400)), visit((10, 5)), visit((144, 91))
    later = visit((139, 87), day=DAY + timedelta(30))
    first, last = DAY + timedelta(2), DAY + timedelta(8)
    assert visits_that_count([early, wrong, right, later], first, last) == (right, later)
    assert visits_that_count([early], first, last) == (early,)
    assert visits_that_count([early, right], None, None) == (right,)
    assert visits_that_count([], first, last) == ()

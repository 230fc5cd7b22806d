"""What is told of a person beside the average: alarms, the office, hours since a dose, a log's digits."""

from dataclasses import replace
from datetime import timedelta
from decimal import Decimal

from homeseries import DAY_ONE, sample, series, week

from collector.numbers.medical_condition import MedicalCondition
from collector.numbers.office_home import OfficeHome, OfficeReadings
from collector.numbers.overview import KnownOfPerson, overview
from collector.numbers.protocols import protocol
from collector.numbers.rules import Plan
from collector.numbers.values import Pressures

NICE = protocol("nice-ng136")


def test_what_is_struck_out_raises_no_alarm_and_what_was_taken_standing_does() -> None:
    at = (DAY_ONE + timedelta(days=3)).replace(hour=7, minute=4)
    uneven = ["irregular pulse"]
    struck = [
        replace(sample(at.replace(minute=minute), *pressures, name=name, status=uneven), void=name)
        for minute, pressures, name in ((4, (191, 121), "struck out"), (6, (88, 52), "corrected"))
    ]
    upright = replace(sample(at.replace(minute=8), 86, 58, status=uneven), void="taken standing", upright=True)
    known = KnownOfPerson((*series(week()), *struck, upright))
    found = overview(known, NICE, Plan())
    assert found.very_high == ()
    assert [one.void for one in found.low] == ["taken standing"]
    assert (found.average.irregular.readings, found.average.irregular.of) == (1, 29)
    assert not found.average.irregular.worth_telling


def test_below_what_the_plan_calls_low_is_low() -> None:
    """The week's lowest is 130/82: low for nobody by the usual bound of 90/60."""
    known = KnownOfPerson(tuple(series(week())))
    assert overview(known, NICE, Plan()).low == ()
    low = overview(known, NICE, Plan(low=Pressures(Decimal(131), Decimal(60)))).low
    assert {one.systolic for one in low} == {130}
    assert len(low) == 7  # of day 1 too: it is left out of the mean, and was measured


def test_with_atrial_fibrillation_office_and_home_are_not_compared() -> None:
    visit = OfficeReadings(DAY_ONE.date(), (Pressures(Decimal(150), Decimal(95)),))
    known = KnownOfPerson(
        tuple(series(week([*range(1, 8)], morning=[(138, 88)] * 3, evening=[(138, 88)] * 3))), (visit,)
    )
    compared = overview(known, NICE, Plan()).office
    assert compared is not None
    assert compared.by_means is OfficeHome.SUSTAINED
    irregular = overview(known, NICE, Plan(conditions=frozenset({MedicalCondition.ATRIAL_FIBRILLATION}))).office
    assert irregular is not None
    assert (irregular.mean, irregular.by_means, irregular.chances) == (compared.mean, None, ())


def test_hours_since_a_dose_are_of_the_readings_that_count() -> None:
    """By hand: a dose at 6:30 of each day; 28 readings, of which the 24 after day 1 count: 12 mornings half an hour
    and a minute more after it, 12 evenings 13.5 hours and a minute more: the median is (0.517 + 13.5) / 2."""
    doses = tuple((DAY_ONE + timedelta(days=day)).replace(hour=6, minute=30, tzinfo=None) for day in range(7))
    found = overview(KnownOfPerson(tuple(series(week())), (), doses), NICE, Plan()).since_dose
    assert found is not None
    assert (found.readings, found.of) == (24, 24)
    assert round(found.median_h, 3) == round((31 / 60 + 13.5) / 2, 3)

"""What is remarked of a series beside its mean: pulse, first and second reading, standing, doses."""

from dataclasses import replace
from datetime import datetime, timedelta
from decimal import Decimal

import pytest
from homeseries import DAY_ONE, rising, sample, series, week

from collector.numbers.average import average
from collector.numbers.protocols import protocol
from collector.numbers.series_remarks import since_dose
from collector.numbers.values import Pair, Sample
from collector.share.text import findings

NICE = protocol("nice-ng136")


AMA = protocol("aha-ama-2020")


def test_an_irregular_pulse_is_counted_and_never_dropped() -> None:
    rows = rising()
    marked = [
        replace(one, status=frozenset({"irregular pulse"}))
        if one.reading_id in ("d1-morning-1", "d5-morning-1")
        else one
        for one in rows
    ]
    found = average(marked, NICE)
    assert (found.irregular.readings, found.irregular.of, found.irregular.days) == (2, 28, 2)
    assert found.irregular.worth_telling
    assert found.used == 24
    one_day = [
        replace(one, status=frozenset({"irregular pulse"})) if one.reading_id == "d5-morning-1" else one for one in rows
    ]
    assert not average(one_day, NICE).irregular.worth_telling


def test_two_of_one_sitting_are_worth_telling() -> None:
    start = DAY_ONE.replace(hour=7)
    three = [
        sample(start + timedelta(minutes=2 * n), name=str(n), status=["irregular pulse"] if n else []) for n in range(3)
    ]
    assert average(three, AMA).irregular.worth_telling


def test_the_fall_from_the_first_to_the_second_reading() -> None:
    found = average(series(week(range(1, 8), morning=[(140, 90), (134, 87)], evening=[(130, 80), (128, 81)])), NICE)
    assert found.first_to_second == Pair(4.0, 1.0)
    assert average(series(week([1], morning=[(140, 90)], evening=[])), AMA).first_to_second is None


def test_readings_taken_standing_stand_beside_those_taken_sitting() -> None:
    """By hand: 138/86 and 136/86 sitting, then 112/80 one minute and 120/84 five minutes later."""
    later = DAY_ONE + timedelta(days=2)

    def upright(minute: int, *pressures: int, status: list[str] | None = None) -> Sample:
        made = sample(later.replace(hour=7, minute=minute), *pressures, name=f"up{minute}", status=status or [])
        return replace(made, void="taken standing", upright=True)

    plain = average(series(week()), NICE)
    assert plain.on_standing == ()
    found = average(
        [*series(week()), upright(2, 112, 80), upright(3, 70, 40, status=["body movement"]), upright(6, 120, 84)], NICE
    )
    assert (found.mean, found.had, found.grid, found.too_close) == (plain.mean, plain.had, plain.grid, plain.too_close)
    assert dict(found.excluded)["up2"] == "taken standing"
    first, last = found.on_standing
    assert (first.sitting.reading_id, first.standing.reading_id) == ("d3-morning-2", "up2")
    assert (first.systolic, first.diastolic, first.after_s, first.meets) == (-24, -6, 60, True)
    assert (last.systolic, last.meets) == (-16, None)  # when they stood up is not known
    ((label, text),) = findings.standing_rows(found)
    assert label == "Standing"
    assert text == (
        "136/86 sitting, 112/80 standing 1 min later, the largest fall; 1 of 1 meet the usual criterion (20 or 10 "
        "lower within 3 min): for the clinician to judge"
    )
    assert not list(findings.standing_rows(plain))


@pytest.mark.parametrize(
    ("pressures", "minute", "meets"),
    [((117, 77), 2, False), ((116, 86), 2, True), ((136, 76), 4, True), ((136, 77), 4, False), ((100, 60), 5, None)],
)
def test_the_usual_criterion_is_20_or_10_within_three_minutes(
    pressures: tuple[int, int], minute: int, meets: bool | None
) -> None:
    at = (DAY_ONE + timedelta(days=2)).replace(hour=7, minute=minute)
    one = replace(sample(at, *pressures, name="up"), void="taken standing", upright=True)
    (pair,) = average([*series(week()), one], NICE).on_standing
    assert pair.meets is meets


def test_hours_since_the_last_noted_dose() -> None:
    wall = [datetime(2026, 3, 2, 19, 0), datetime(2026, 3, 3, 19, 30), datetime(2026, 3, 9, 6, 0)]
    used = [sample(DAY_ONE + timedelta(days=1, hours=7)), sample(DAY_ONE + timedelta(days=2, hours=7))]
    used.append(sample(DAY_ONE + timedelta(days=5, hours=7)))  # the dose before is too long ago
    found = since_dose(used, wall)
    assert found
    assert (found.median_h, found.readings, found.of) == (11.75, 2, 3)
    assert since_dose(used, []) is None
    at_the_limit = since_dose([sample(DAY_ONE + timedelta(hours=36))], [DAY_ONE.replace(tzinfo=None)])
    assert at_the_limit is not None
    assert at_the_limit.median_h == 36
    assert since_dose(used, wall[2:]) is None  # noted after all readings


def test_what_is_struck_out_or_standing_is_nothing_to_fall_from() -> None:
    at = (DAY_ONE + timedelta(days=2)).replace(hour=7, minute=1)
    struck = replace(sample(at + timedelta(seconds=20), 180, 110, name="struck"), void="struck out")
    standing = [
        replace(sample(at + timedelta(seconds=after), 130, 84, name=f"up{after}"), void="taken standing", upright=True)
        for after in (30, 60)  # sooner after one another than sitting readings are asked for
    ]
    alone = replace(standing[0], reading_id="alone", taken_at=at.replace(hour=12))
    found = average([*series(week()), struck, *standing, alone], NICE)
    assert [one.sitting.reading_id for one in found.on_standing] == ["d3-morning-2", "d3-morning-2"]
    assert found.too_close == 1  # the struck one
    assert found.had == average(series(week()), NICE).had


def test_a_correction_and_what_it_corrects_are_one_measurement() -> None:
    """So are a line of a log and the cuff's own reading: one was taken, and none came too soon after the other."""
    plain = [*series(week())]
    first = plain[8] = replace(plain[8], systolic=Decimal(150))  # of day 3: day 1 is left out by this rule
    for why in ("corrected", "copy of a cuff's reading"):
        beside = replace(first, reading_id="beside", systolic=Decimal(13), void=why, noted_again=True)
        found, alone = average([beside, *plain], NICE), average(plain, NICE)
        assert (found.taken, found.too_close, found.implausible) == (alone.taken, alone.too_close, ())
        assert found.first_to_second == alone.first_to_second
        assert dict(found.excluded)["beside"] == why

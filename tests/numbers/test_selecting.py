"""Which readings count, which do not, and why."""

from datetime import date, datetime, timedelta

import pytest
from homeseries import DAY_ONE, ZONE, sample, series, week

from collector.numbers.average import average
from collector.numbers.custom import custom
from collector.numbers.protocols import protocol
from collector.numbers.rules import Plan, Window
from collector.numbers.selecting import select
from collector.numbers.sittings import sittings
from collector.numbers.values import Sample

NICE = protocol("nice-ng136")
AMA = protocol("aha-ama-2020")


def at(day: int, hour: int, minute: int = 0) -> datetime:
    return (DAY_ONE + timedelta(days=day - 1)).replace(hour=hour, minute=minute)


def reasons(samples: list[Sample], rules: object = AMA) -> dict[str, str]:
    return dict(average(samples, rules).excluded)  # type: ignore[arg-type]


def test_each_reading_left_out_says_why() -> None:
    samples = [
        *series(week([1])),
        sample(at(2, 7), None, None, None, name="failed"),
        sample(at(2, 7, 2), 141, None, name="half"),
        sample(at(2, 7, 4), name="moved", status=["body movement"]),
        sample(at(2, 7, 6), name="loose", status=["cuff too loose", "improper position"]),
        sample(at(2, 7, 8), name="good", status=["irregular pulse"]),
        sample(at(2, 13), name="noon"),
    ]
    assert reasons(samples) == {
        "failed": "no value: the measurement failed",
        "half": "no value: the measurement failed",
        "moved": "flagged: body movement",
        "loose": "flagged: cuff too loose, improper position",
        "noon": "outside the morning and evening hours",
    }
    assert reasons(samples, NICE)["d1-morning-1"] == "day 1 is left out"


def test_the_first_of_a_sitting_is_the_first_with_a_value() -> None:
    doane = protocol("doane-2018")
    rows = week([1, 2], morning=[(150, 90)] * 3, evening=[(150, 90)] * 3)
    samples = [
        *series(rows),
        sample(at(3, 7), None, None, name="failed"),
        sample(at(3, 7, 2), name="opening"),
        sample(at(3, 7, 4), name="second"),
        sample(at(3, 7, 6), name="third"),
    ]
    told = reasons(samples, doane)
    assert told["failed"].startswith("no value")
    assert told["opening"] == "first of its sitting"
    assert "second" not in told
    assert told["d2-evening-3"] == "day 2 is left out"


def test_a_flagged_first_of_a_sitting_is_still_the_first() -> None:
    rules = custom({"name": "last-two", "threshold": [135, 85], "per_session": 3, "drop_first_of_session": True})
    samples = [sample(at(1, 7), name="first", status=["body movement"]), sample(at(1, 7, 2), name="second")]
    assert reasons(samples, rules) == {"first": "flagged: body movement"}


def test_two_sittings_in_one_morning_each_have_a_first() -> None:
    rules = custom({"name": "last-two", "threshold": [135, 85], "per_session": 3, "drop_first_of_session": True})
    samples = [
        sample(at(1, 7), name="a1"),
        sample(at(1, 7, 2), name="a2"),
        sample(at(1, 9), name="b1"),
        sample(at(1, 9, 2), name="b2"),
    ]
    assert set(reasons(samples, rules)) == {"a1", "b1"}


def test_a_sitting_stays_where_it_began() -> None:
    found = sittings(
        [
            sample(at(1, 11, 58)),
            sample(at(1, 12, 1)),
            sample(at(1, 12, 30)),
            sample(at(1, 15, 58)),
            sample(at(1, 16, 1)),
        ],
        AMA,
    )
    assert [(one.session, len(one.samples)) for one in found] == [("morning", 2), (None, 1), (None, 1), ("evening", 1)]


def test_pauses_make_sittings_by_instants_not_by_wall_clocks() -> None:
    """In the night of 25 October 2026 clocks in Vienna go from 3:00 back to 2:00."""
    rules = custom({"name": "nights", "threshold": [135, 85], "evening": ["16:00", "03:30"]})
    before = datetime(2026, 10, 25, 2, 58, tzinfo=ZONE)
    after = datetime(2026, 10, 25, 2, 2, tzinfo=ZONE, fold=1)
    (sitting,) = sittings([sample(after, name="b"), sample(before, name="a")], rules)
    assert [one.reading_id for one in sitting.samples] == ["a", "b"]


def test_after_midnight_belongs_to_the_evening_before() -> None:
    found = select([sample(at(2, 0, 30)), sample(at(1, 23, 50))], AMA)
    assert {one.day for one in found.used} == {at(1, 0).date()}
    assert {one.session for one in found.used} == {"evening"}


def test_between_the_hours_the_nearer_session_where_asked() -> None:
    nearest = custom({"name": "any-hour", "based_on": "aha-ama-2020", "outside": "nearest"})
    found = select([sample(at(1, 13), name="a"), sample(at(1, 15), name="b"), sample(at(1, 3, 30), name="c")], nearest)
    assert [(one.sample.reading_id, one.session) for one in found.used] == [
        ("c", "morning"),
        ("a", "morning"),
        ("b", "evening"),
    ]


def test_night_work_moves_the_day() -> None:
    from datetime import time

    plan = Plan(morning=Window(time(15), time(21)), evening=Window(time(6), time(11)))
    found = average([sample(at(1, 16)), sample(at(2, 7))], AMA, plan)
    assert (found.days, found.used) == (1, 2)
    assert found.morning
    assert found.evening


def test_the_most_recent_series_is_averaged_when_no_period_is_given() -> None:
    old = series(week(range(1, 8), morning=[(170, 100)] * 2, evening=[(170, 100)] * 2))
    new = series(week(range(30, 37)))
    found = average(old + new, NICE)
    assert (found.first, found.last) == (at(30, 0).date(), at(36, 0).date())
    assert found.taken == 28


def test_a_gap_of_three_empty_days_does_not_end_a_series_and_four_do() -> None:
    bridged = average(series(week([1, 2, 6, 7])), NICE)
    assert (bridged.first, bridged.days) == (at(1, 0).date(), 4)
    broken = average(series(week([1, 2, 7, 8])), NICE)
    assert (broken.first, broken.days) == (at(7, 0).date(), 2)


def test_a_long_series_is_cut_to_the_preferred_days() -> None:
    found = average(series(week(range(1, 41))), NICE)
    assert (found.first, found.days) == (at(34, 0).date(), 7)


def test_a_period_is_days_and_both_ends_belong_to_it() -> None:
    found = average(series(week(range(1, 11))), NICE, first=at(3, 0).date(), last=at(6, 0).date())
    assert found.taken == 16
    assert {day.day for day in found.grid if day.left_out} == {at(3, 0).date()}
    assert average(series(week(range(1, 11))), NICE, last=at(5, 0).date()).last == at(5, 0).date()
    with pytest.raises(ValueError, match="other way round"):
        average([], NICE, first=date(2026, 2, 2), last=date(2026, 2, 1))


def test_day_1_is_the_first_that_holds_readings() -> None:
    stray = [sample(at(1, 14), name="stray"), sample(at(2, 7), None, None, name="failed")]
    found = average([*stray, *series(week(range(3, 8)))], NICE, first=at(1, 0).date())
    assert [row.number for row in found.grid] == [None, None, 1, 2, 3, 4, 5]
    assert [row.left_out for row in found.grid] == [False, False, True, False, False, False, False]


def test_failed_measurements_after_the_last_good_day_are_listed() -> None:
    found = average([*series(week(range(1, 8))), sample(at(8, 7), None, None, name="failed")], NICE)
    assert dict(found.excluded)["failed"].startswith("no value")
    assert found.days == 7


def test_a_failed_measurement_weeks_later_does_not_move_the_period() -> None:
    found = average([*series(week(range(1, 8))), sample(at(40, 7), None, None, name="failed")], NICE)
    assert found.last == at(7, 0).date()
    assert "failed" not in dict(found.excluded)


def test_nothing_at_all_is_an_answer_too() -> None:
    found = average([], NICE)
    assert (found.taken, found.used, found.systolic, found.at_or_above, found.valid) == (0, 0, None, None, False)
    assert found.short_of
    assert found.grid == ()


def test_only_failures_are_an_answer_too() -> None:
    found = average([sample(at(1, 7), None, None, name="failed")], NICE)
    assert (found.taken, found.used, found.days) == (1, 0, 0)
    assert dict(found.excluded) == {"failed": "no value: the measurement failed"}


def test_more_than_a_session_asks_for() -> None:
    samples = series(week([1, 2, 3], morning=[(150, 90), (140, 85), (130, 80)]))
    everything = average(samples, AMA)
    assert everything.used == 15
    first = average(samples, custom({"name": "firsts", "based_on": "aha-ama-2020", "extra": "first"}))
    assert (first.used, dict(first.excluded)["d1-morning-3"]) == (12, "more than the protocol asks for")
    last = average(samples, custom({"name": "lasts", "based_on": "aha-ama-2020", "extra": "last"}))
    assert "d1-morning-1" in dict(last.excluded)


def test_a_session_with_an_irregular_pulse_is_averaged_whole() -> None:
    rules = custom({"name": "firsts", "based_on": "aha-ama-2020", "extra": "first"})
    samples = [
        sample(at(1, 7, minute), name=f"r{minute}", status=["irregular pulse"] if minute == 1 else [])
        for minute in range(3)
    ]
    assert average(samples, rules).used == 3


def test_uncertain_times_are_used_and_counted_or_left_out_where_asked() -> None:
    samples = [*series(week([1, 2, 3])), sample(at(3, 7, 5), certain=False, name="unsure")]
    assert average(samples, AMA).uncertain_times == 1
    strict = custom({"name": "strict", "based_on": "aha-ama-2020", "uncertain_time": "exclude"})
    found = average(samples, strict)
    assert dict(found.excluded) == {"unsure": "its time is not certain"}
    assert found.used == 12
    first = [sample(at(1, 7), certain=False, name="unsure"), *series(week([2, 3, 4]))]
    assert (average(first, AMA).used, average(first, strict).used) == (13, 12)
    assert not average(first, strict).excluded, "a day on which nothing counts begins no series"


def test_implausible_values_are_not_in_the_mean_unless_asked_otherwise() -> None:
    slip = sample(at(3, 7, 5), 380, 80, name="slip")
    samples = [*series(week([1, 2, 3])), slip, sample(at(3, 20, 5), 130, 0, name="zero")]
    found = average(samples, AMA)
    assert found.used == 12
    assert {name for name, _ in found.implausible} == {"slip", "zero"}
    assert dict(found.excluded)["zero"].startswith("implausible: diastolic 0")
    marked = custom({"name": "marked", "based_on": "aha-ama-2020", "implausible": "mark"})
    assert average(samples, marked).used == 14


def test_a_first_reading_that_is_alone_is_kept_and_one_that_was_lost_was_the_first() -> None:
    """The rule of the NHANES survey: the mean of the second and third reading, of the first where there is no other."""
    rules = custom(
        {
            "name": "survey",
            "threshold": [140, 90],
            "min_days": 1,
            "per_session": 3,
            "drop_first_of_session": True,
            "keep_first_if_alone": True,
        }
    )
    three = [sample(at(1, 7, minute), value, 80) for minute, value in enumerate((150, 140, 130))]
    assert average(three, rules).systolic == 135
    assert average(three[:2], rules).systolic == 140
    assert average(three[:1], rules).systolic == 150
    lost = [sample(at(1, 7), None, None, name="lost"), *three[1:]]
    assert average(lost, rules).systolic == 135
    with pytest.raises(ValueError, match="goes with drop_first_of_session"):
        custom({"name": "wrong", "threshold": [140, 90], "keep_first_if_alone": True})


def test_a_reading_that_comes_twice_is_a_mistake_of_the_caller() -> None:
    with pytest.raises(ValueError, match="twice"):
        average([sample(at(1, 7), name="a"), sample(at(1, 8), name="a")], AMA)


def test_a_time_without_a_zone_is_refused() -> None:
    with pytest.raises(ValueError, match="no zone"):
        sample(datetime(2026, 3, 2, 7))

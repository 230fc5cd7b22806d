"""The average: what it is made of, how far to trust it, and what does not change it."""

from dataclasses import replace
from datetime import datetime, timedelta
from decimal import Decimal
from typing import Any

import pytest
from homeseries import DAY_ONE, sample, series, week
from hypothesis import given, settings
from hypothesis import strategies as st

from collector.numbers import descriptive
from collector.numbers.average import average
from collector.numbers.protocols import PROTOCOLS, Plan, custom, protocol
from collector.numbers.rules import Condition
from collector.numbers.series_remarks import since_dose
from collector.numbers.values import Pair, Pressures, Sample, Source, SpreadOf, rounded_text
from collector.share.text import findings

NICE = protocol("nice-ng136")
AMA = protocol("aha-ama-2020")


def rising(days: int = 7) -> list[Sample]:
    return series(
        [
            [day, session, 130 + 2 * day + (session == "evening"), 80 + day]
            for day in range(1, days + 1)
            for session in ("morning", "evening")
            for _ in (1, 2)
        ]
    )


def test_a_plan_goes_before_the_protocol() -> None:
    plan = Plan(threshold=Pressures(Decimal(130), Decimal(80)), goal=Pressures(Decimal(120), Decimal(75)))
    own, published = average(rising(), NICE, plan), average(rising(), NICE)
    assert (str(own.threshold), own.threshold_set_by, str(own.goal.below), own.goal.set_by) == (
        "130/80",
        "plan",
        "120/75",
        "plan",
    )
    assert (str(published.threshold), published.threshold_set_by, published.goal.set_by) == (
        "135/85",
        "protocol",
        "protocol",
    )
    assert own.below_goal is False
    assert average([], NICE, plan).below_goal is None


def test_atrial_fibrillation_asks_for_three_readings_a_sitting_under_every_protocol() -> None:
    taiwan = protocol("taiwan-2020")
    assert average(rising(), taiwan).wanted == 28
    fibrillation = Plan(conditions=frozenset({Condition.ATRIAL_FIBRILLATION}))
    assert average(rising(), taiwan, fibrillation).wanted == 42
    assert average(rising(), NICE, fibrillation).wanted == 42
    assert average(rising(), protocol("doane-2018"), fibrillation).wanted == 30


def test_the_interval_of_these_days_comes_from_day_means() -> None:
    found = average(rising(), NICE)
    days = [130 + 2 * day + 0.5 for day in range(2, 8)]
    assert found.these_days
    assert found.these_days.systolic == pytest.approx(descriptive.margin(days))
    assert average(rising(2), AMA).these_days is None


def test_the_interval_of_the_usual_pressure_is_round_the_protocols_mean() -> None:
    rows = [row for row in week() if row[:2] != [4, "evening"]]
    found = average(series(rows), NICE)
    assert found.usual
    assert found.systolic is not None
    systolic, _ = found.usual
    assert systolic.mean == pytest.approx(float(found.systolic))
    assert found.these_days
    assert systolic.reach > found.these_days.systolic
    assert found.standing
    assert 0 < found.standing.chance < 1


def test_spread_says_what_it_was_reckoned_from() -> None:
    for unit, count in zip(SpreadOf, (6, 6, 6, 24), strict=True):
        spread = average(rising(), NICE, spread_of=unit).spread
        assert (spread.unit, spread.n) == (unit, count)
    assert average(rising(1), AMA).sd is None


def test_a_step_over_a_missing_day_counts_by_its_length() -> None:
    rules = custom({"name": "one", "threshold": [135, 85], "min_days": 1, "per_session": 1})
    found = average(series([[1, "morning", 120, 80], [2, "morning", 130, 80], [4, "morning", 120, 80]]), rules)
    assert found.arv == Pair(pytest.approx(10.0), 0.0)
    uneven = average(series([[1, "morning", 120, 80], [2, "morning", 126, 80], [4, "morning", 123, 80]]), rules)
    assert uneven.arv
    assert uneven.arv.systolic == pytest.approx((6 * 1 + 3 * 2) / 3)


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


def test_the_grid_shows_every_day_and_session() -> None:
    found = average(series(week([1, 2, 4], evening=[(130, 80)])), NICE)
    cells = [(row.number, row.left_out, row.morning.used, row.evening.used, row.evening.taken) for row in found.grid]
    assert cells == [(1, True, 0, 0, 1), (2, False, 2, 1, 1), (None, False, 0, 0, 0), (3, False, 2, 1, 1)]
    assert all(row.morning.wanted == 2 for row in found.grid)
    assert (found.had, found.wanted) == (9, 28)


def test_pulses_are_averaged_over_those_that_have_one() -> None:
    samples = [sample(DAY_ONE.replace(hour=7), pulse=60), sample(DAY_ONE.replace(hour=20), pulse=None)]
    found = average(samples, AMA)
    assert found.pulse == 60
    assert found.evening
    assert found.evening.pulse is None


def test_hand_written_and_hasty_readings_are_counted() -> None:
    start = DAY_ONE.replace(hour=7)
    hasty = sample(start + timedelta(seconds=40), 131, name="b", source=Source.HAND)
    found = average([sample(start, name="a"), hasty], AMA)
    assert (found.hand_written, found.too_close) == (1, 1)


def test_consecutive_days_where_the_protocol_asks_for_them() -> None:
    rows = week([1, 2, 3, 5, 6], morning=[(130, 80)] * 3, evening=[(130, 80)] * 3)
    assert average(series(rows), protocol("doane-2018")).short_of == ("5 days in a row (the longest run is 3)",)


def test_one_session_only_is_short_where_both_decide() -> None:
    found = average(series(week(range(1, 8), evening=[])), protocol("jsh-2019"))
    assert found.short_of == ("evening readings (there are none)",)
    assert found.at_or_above is found.morning_at_or_above is found.standing is None
    whole = average(series(week(range(1, 8))), protocol("jsh-2019"))
    assert (whole.decides, whole.at_or_above, whole.evening_at_or_above) == ("morning", True, False)
    low = average(series(week(range(1, 8), morning=[(120, 70)], evening=[(118, 70)])), protocol("jsh-2019"))
    assert (low.decides, low.at_or_above) == ("morning and evening", False)


@pytest.mark.parametrize("name", list(PROTOCOLS))
def test_mornings_alone_are_valid_under_no_published_protocol(name: str) -> None:
    many = [(130, 80)] * 6
    found = average(series(week(range(1, 8), morning=many, evening=[])), PROTOCOLS[name])
    assert "evening readings (there are none)" in found.short_of
    assert not found.valid


def test_nothing_is_judged_of_a_series_that_is_too_short() -> None:
    found = average(series(week([1, 2], morning=[(190, 110)] * 2, evening=[(190, 110)] * 2)), NICE)
    assert found.systolic == 190
    judged = (found.at_or_above, found.morning_at_or_above, found.evening_at_or_above, found.second_at_or_above)
    assert judged == (None,) * 4
    assert found.below_goal is found.standing is None


def test_the_second_threshold_is_judged() -> None:
    high = average(series(week(morning=[(152, 90)] * 2, evening=[(150, 90)] * 2)), NICE)
    assert high.second_at_or_above is True
    assert average(series(week()), NICE).second_at_or_above is False
    assert average(series(week()), AMA).second_at_or_above is None


def test_one_casual_reading_after_a_whole_week_leaves_the_week_its_average() -> None:
    samples = [*series(week()), sample((DAY_ONE + timedelta(days=12)).replace(hour=7), 170, 100, name="casual")]
    found = average(samples, NICE)
    assert found.valid
    assert (found.last, found.later) == ((DAY_ONE + timedelta(days=6)).date(), 1)
    assert "casual" not in found.used_ids
    late = [*series(week()), sample((DAY_ONE + timedelta(days=60)).replace(hour=7), 170, 100, name="casual")]
    assert not average(late, NICE).valid
    assert average(series(week()), NICE).later == 0


def test_age_and_kidney_disease_change_the_goal() -> None:
    def goal(name: str, **plan: Any) -> tuple[str, str]:
        found = average(series(week()), protocol(name), Plan(**plan)).goal
        return str(found.below), found.note

    assert goal("nice-ng136", born=1946) == ("145/85", "from age 80")
    assert goal("nice-ng136", born=1947) == ("135/85", "")
    assert goal("jsh-2019", born=1951) == ("135/85", "from age 75")
    kidney = frozenset({Condition.KIDNEY_DISEASE})
    assert goal("nice-ng136", conditions=kidney)[0] == "None"
    own = Pressures(Decimal(130), Decimal(80))
    assert goal("nice-ng136", conditions=kidney, goal=own)[0] == "130/80"


@pytest.mark.parametrize(
    ("name", "plan", "below", "set_by", "note"),
    [
        ("nice-ng136", {}, "130/80", "condition", "for diabetes: AHA/ASH/PCNA 2008"),
        ("ish-2020", {}, "130/80", "condition", "for diabetes: AHA/ASH/PCNA 2008"),
        ("jsh-2019", {}, "125/75", "protocol", "no higher than the one published for diabetes, 130/80"),
        ("nice-ng136", {"born": 1940}, "None", "None", "the published goals differ; set one in the plan"),
        ("nice-ng136", {"goal": Pressures(Decimal(140), Decimal(85))}, "140/85", "plan", ""),
    ],
)
def test_diabetes_has_its_published_home_goal_or_says_why_not(
    name: str, plan: dict[str, Any], below: str, set_by: str, note: str
) -> None:
    found = average(series(week()), protocol(name), Plan(conditions=frozenset({Condition.DIABETES}), **plan))
    assert (str(found.goal.below), str(found.goal.set_by)) == (below, set_by)
    assert note in found.goal.note
    line = next(line for line in findings.further_verdicts(found) if "oal" in line)
    assert line.startswith("No goal: diabetes" if below == "None" else f"Goal below {below} mmHg, set by ")
    assert ("a published statement (for diabetes" in line) == (set_by == "condition")


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


def test_missing_sessions_are_counted() -> None:
    rows = [row for row in week() if row[:2] != [4, "evening"]]
    found = average(series(rows), NICE)
    assert found.missing == (((DAY_ONE + timedelta(days=3)).date(), "evening"),)


def test_the_cuffs_own_mean_pressure_where_every_reading_has_one() -> None:
    samples = [replace(one, mean=Decimal(100)) for one in series(week())]
    assert average(samples, NICE).mean_by_cuff == 100
    assert average([*samples[:-1], replace(samples[-1], mean=None)], NICE).mean_by_cuff is None


def test_the_mean_of_sessions_decides_where_the_protocol_says_so() -> None:
    rows = [
        row for row in week(range(1, 4), morning=[(140, 88)] * 2, evening=[(129, 79)] * 2) if row[:2] != [2, "evening"]
    ]
    rules = custom({"name": "halves", "based_on": "aha-ama-2020", "averaging": "sessions", "min_readings": 8})
    found = average(series(rows), rules)
    assert (found.decides, found.systolic) == ("mean of morning and evening", Decimal("134.5"))
    assert found.pooled
    assert found.pooled.systolic == Decimal(6 * 140 + 4 * 129) / 10


def test_printing_never_lifts_a_mean_over_its_threshold() -> None:
    assert rounded_text(Decimal("134.96")) == "135.0"
    assert rounded_text(Decimal("134.96"), beside=Decimal(135)) == "134.96"
    assert rounded_text(Decimal("134.9999"), beside=Decimal(135)) == "134.99"
    assert rounded_text(Decimal("134.94"), beside=Decimal(135)) == "134.9"
    assert rounded_text(Decimal(135), beside=Decimal(135)) == "135.0"
    assert rounded_text(Decimal("134.25")) == "134.3"
    assert rounded_text(Decimal("-0.01")) == "0.0"
    assert rounded_text(0.125, 2) == "0.13"
    assert rounded_text(4.5, 0) == "5"


# --- Properties ---------------------------------------------------------------------------------------------------

days = st.integers(1, 9)
readings = st.lists(
    st.tuples(
        days,
        st.sampled_from([7, 8, 19, 21]),
        st.integers(0, 59),
        st.integers(900, 2200),
        st.integers(400, 1300),
        st.sampled_from([(), ("irregular pulse",), ("body movement",)]),
    ),
    min_size=1,
    max_size=40,
    unique_by=lambda row: row[:3],
)


def built(rows: list[tuple[int, int, int, int, int, tuple[str, ...]]]) -> list[Sample]:
    return [
        sample(
            (DAY_ONE + timedelta(days=day)).replace(hour=hour, minute=minute),
            Decimal(s) / 10,
            Decimal(d) / 10,
            name=f"{day}-{hour}-{minute}",
            status=status,
        )
        for day, hour, minute, s, d, status in rows
    ]


@pytest.mark.parametrize("name", list(PROTOCOLS))
@settings(deadline=None)
@given(rows=readings, order=st.randoms(use_true_random=False))
def test_the_order_of_arrival_does_not_matter(
    name: str, rows: list[tuple[int, int, int, int, int, tuple[str, ...]]], order: object
) -> None:
    samples = built(rows)
    shuffled = list(samples)
    order.shuffle(shuffled)  # type: ignore[attr-defined]
    assert average(shuffled, PROTOCOLS[name]) == average(samples, PROTOCOLS[name])


@settings(deadline=None)
@given(rows=readings, minute=st.integers(0, 59), systolic=st.integers(60, 250), diastolic=st.integers(40, 150))
def test_a_reading_on_a_day_left_out_changes_no_mean(
    rows: list[tuple[int, int, int, int, int, tuple[str, ...]]], minute: int, systolic: int, diastolic: int
) -> None:
    samples = built(rows)
    opening = min(one.taken_at for one in samples)
    more = sample(opening.replace(hour=10, minute=minute), systolic, diastolic, name="more")
    period = {"first": opening.date()}
    before, after = average(samples, NICE, **period), average([*samples, more], NICE, **period)
    for name in (
        "systolic",
        "diastolic",
        "pulse",
        "used",
        "days_used",
        "used_ids",
        "morning",
        "evening",
        "spread",
        "these_days",
        "first_to_second",
        "load",
        "at_or_above",
    ):
        assert getattr(after, name) == getattr(before, name), name
    assert after.taken == before.taken + 1
    assert dict(after.excluded)["more"] == "day 1 is left out"


@settings(deadline=None)
@given(rows=st.lists(st.tuples(st.integers(140, 200), st.integers(50, 120)), min_size=1, max_size=28))
def test_the_unit_does_not_matter(rows: list[tuple[int, int]]) -> None:
    """A cuff that sends kPa with one decimal (SFLOAT, exponent -1) is right to 0.05 kPa, which is 0.375 mmHg."""
    per_kpa = Decimal("7.500615758456564")
    in_mmhg, in_kpa = [], []
    for number, (systolic, diastolic) in enumerate(rows):
        at = (DAY_ONE + timedelta(days=number // 2)).replace(hour=7 if number % 2 else 20)
        in_mmhg.append(sample(at, systolic, diastolic, name=str(number)))
        sent = [round(Decimal(value) / per_kpa, 1) * per_kpa for value in (systolic, diastolic)]
        in_kpa.append(sample(at, *sent, name=str(number)))
    one, other = (average(samples, AMA, first=DAY_ONE.date()) for samples in (in_mmhg, in_kpa))
    assert one.systolic is not None
    assert other.systolic is not None
    assert one.diastolic is not None
    assert other.diastolic is not None
    assert abs(one.systolic - other.systolic) <= Decimal("0.376")
    assert abs(one.diastolic - other.diastolic) <= Decimal("0.376")


@settings(deadline=None)
@given(rows=readings)
def test_every_reading_is_used_or_has_a_reason(rows: list[tuple[int, int, int, int, int, tuple[str, ...]]]) -> None:
    for rules in PROTOCOLS.values():
        found = average(built(rows), rules)
        assert len(found.used_ids) + len(found.excluded) == found.taken
        assert not set(found.used_ids) & {name for name, _ in found.excluded}
        assert sum(row.morning.used + row.evening.used for row in found.grid) == found.used


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


def test_a_value_on_the_threshold_is_at_or_above_it() -> None:
    on = ((130, 79), (130, 79))
    found = average(series(week(morning=on, evening=on)), AMA)
    assert found.load is not None
    assert (found.load.systolic, found.load.diastolic) == (found.load.of, 0)

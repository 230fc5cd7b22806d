"""Whose figures hold: the plan's, the protocol's, those that age and disease change; and when they judge."""

from decimal import Decimal
from typing import Any

import pytest
from homeseries import rising, series, week

from collector.numbers.average import average
from collector.numbers.medical_condition import MedicalCondition
from collector.numbers.protocols import protocol
from collector.numbers.rules import Plan
from collector.numbers.values import Pressures, rounded_text
from collector.share.text import findings

NICE = protocol("nice-ng136")


AMA = protocol("aha-ama-2020")


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
    fibrillation = Plan(conditions=frozenset({MedicalCondition.ATRIAL_FIBRILLATION}))
    assert average(rising(), taiwan, fibrillation).wanted == 42
    assert average(rising(), NICE, fibrillation).wanted == 42
    assert average(rising(), protocol("doane-2018"), fibrillation).wanted == 30


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


def test_age_and_kidney_disease_change_the_goal() -> None:
    def goal(name: str, **plan: Any) -> tuple[str, str]:
        found = average(series(week()), protocol(name), Plan(**plan)).goal
        return str(found.below), found.note

    assert goal("nice-ng136", born=1946) == ("145/85", "from age 80")
    assert goal("nice-ng136", born=1947) == ("135/85", "")
    assert goal("jsh-2019", born=1951) == ("135/85", "from age 75")
    kidney = frozenset({MedicalCondition.KIDNEY_DISEASE})
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
    found = average(series(week()), protocol(name), Plan(conditions=frozenset({MedicalCondition.DIABETES}), **plan))
    assert (str(found.goal.below), str(found.goal.set_by)) == (below, set_by)
    assert note in found.goal.note
    line = next(line for line in findings.further_verdicts(found) if "oal" in line)
    assert line.startswith("No goal: diabetes" if below == "None" else f"Goal below {below} mmHg, set by ")
    assert ("a published statement (for diabetes" in line) == (set_by == "condition")


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


def test_a_value_on_the_threshold_is_at_or_above_it() -> None:
    on = ((130, 79), (130, 79))
    found = average(series(week(morning=on, evening=on)), AMA)
    assert found.load is not None
    assert (found.load.systolic, found.load.diastolic) == (found.load.of, 0)

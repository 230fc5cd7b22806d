"""Whose plan and which protocol, from the configuration."""

from datetime import time

import pytest

from collector.numbers.protocols import PROTOCOLS, UnknownProtocol
from collector.service.config import parse
from collector.service.config.plans import in_force
from collector.service.config.schema import ConfigError
from collector.service.config.template import template

WITH = """
[people.mira]
protocol = "ward-5"
threshold_systolic = 130
goal_systolic = 125
goal_diastolic = 78
atrial_fibrillation = true
morning = ["05:00", "11:30"]

[people.rui]
goal_systolic = 120

[protocols.ward-5]
based_on = "nice-ng136"
drop_days = []
min_days = 3
"""


def test_nobodys_plan_is_the_usual_protocol_as_published() -> None:
    rules, plan = in_force(parse(WITH), "anna")
    assert rules == PROTOCOLS["esh-2023"]
    assert plan.threshold is plan.goal is plan.morning is None


def test_a_plan_names_its_protocol_and_goes_before_its_figures() -> None:
    rules, plan = in_force(parse(WITH), "MIRA")
    assert (rules.name, rules.drop_days, rules.min_days) == ("ward-5", (), 3)
    assert str(plan.threshold) == "130/85"  # the diastolic is the protocol's
    assert str(plan.goal) == "125/78"
    assert plan.atrial_fibrillation
    assert plan.morning
    assert (plan.morning.start, plan.morning.end) == (time(5), time(11, 30))


def test_the_command_line_names_another_protocol_and_the_plan_stays() -> None:
    rules, plan = in_force(parse(WITH), "mira", "Canada 2020")
    assert rules.name == "canada-2020"
    assert str(plan.goal) == "125/78"


def test_what_cannot_be_is_told() -> None:
    with pytest.raises(UnknownProtocol, match="no protocol 'esh-2032'; did you mean 'esh-2023'"):
        in_force(parse(WITH), "mira", "esh-2032")
    with pytest.raises(ConfigError, match=r"\[people.rui\]: goal_diastolic is missing"):
        in_force(parse(WITH), "rui")
    clash = parse('[people.eva]\nmorning = ["05:00", "18:00"]')
    with pytest.raises(ConfigError, match=r"\[people.eva\]: protocol esh-2023: the morning hours .* overlap"):
        in_force(clash, "eva")


@pytest.mark.parametrize(
    ("text", "line"),
    [
        (
            "[protocols.ward-5]\nbased_on = 'nice-ng136'\n\ndrop_day = [1]",
            "configuration, line 4: protocol ward-5: there is no key 'drop_day'; did you mean 'drop_days'?",
        ),
        ("[protocols.ward-5]\nbased_on = 'nice'", "configuration, line 2: protocol ward-5: based_on is 'nice'; wanted"),
        (
            "[protocols.ward-5]\nbased_on = ['esh-2023']",
            "configuration, line 2: protocol ward-5: based_on is ['esh-2023']",
        ),
        ("[protocols.Ward]\nthreshold = [135, 85]", "configuration, line 1: name is 'Ward'; wanted are small letters"),
        (
            "[protocols.w]\nmin_days = 3",
            "configuration, line 1: protocol w: wanted is threshold = [systolic, diastolic]",
        ),
        (
            "[people.mira]\nmorning = ['5', '11:00']",
            "configuration, line 2: people.mira.morning is ['5', '11:00']: hours are two times of day",
        ),
    ],
)
def test_a_mistake_is_told_with_its_line(text: str, line: str) -> None:
    with pytest.raises(ConfigError) as caught:
        parse(text)
    assert str(caught.value).startswith(line)


def test_the_template_names_the_keys_of_an_own_protocol() -> None:
    text = "\n".join(template())
    assert "# [protocols.NAME]" in text
    assert "min_readings_used" in text
    own = [line[2:] for line in text.split("[protocols.NAME]")[1].splitlines() if " = " in line]
    assert parse("[protocols.own]\n" + "\n".join(own)).protocols["own"].threshold.systolic == 130

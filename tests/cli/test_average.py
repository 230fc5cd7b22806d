"""`protocols` and `average` over a store with two invented people."""

import json
import shutil
from collections.abc import Callable
from datetime import timedelta
from pathlib import Path

import pytest
from measured import IRREGULAR, MONDAY, MOVED, make_store, week
from typer.testing import Result

from collector.numbers.published import published

Run = Callable[..., Result]

FIELDS = [
    "protocol",
    "from",
    "to",
    "person",
    "taken",
    "used",
    "days",
    "valid",
    "short_of",
    "systolic",
    "diastolic",
    "pulse",
    "morning",
    "evening",
    "threshold",
    "at_or_above",
    "second_threshold",
    "chance_at_or_above",
    "would_settle",
    "excluded",
    "missing_sessions",
    "sd",
    "cv",
    "arv",
    "rmssd",
    "range",
    "pulse_pressure",
    "mean_pressure_estimate",
    "last_ten",
    "on_standing",
    "hours_since_dose",
    "office",
    "office_class_acc_aha",
    "office_class_esh",
    "home_against_office",
    "another_reading",
    "more",
]
"""The agreed ones in their order, then `more`."""


@pytest.fixture(scope="session")
def made_home(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """mira: a whole week, and one reading that moved; rui: three days, very high once, irregular twice."""
    rows = [
        *week(MONDAY, 138, 86),
        (MONDAY + timedelta(days=2, hours=9), 150, 95, 80, MOVED, 1),
        (MONDAY + timedelta(days=3, hours=13), 128, 80, 70, 0, 1),
        *week(MONDAY, 120, 75, days=3, slot=2),
        (MONDAY + timedelta(days=1, hours=9), 182, 99, 88, IRREGULAR, 2),
        (MONDAY + timedelta(days=2, hours=9), 130, 80, 88, IRREGULAR, 2),
    ]
    return make_store(tmp_path_factory.mktemp("home") / "home.db", rows, {"mira": 1, "rui": 2})


@pytest.fixture
def at_home(quietcuff: Run, made_home: Path, tmp_path: Path) -> Run:
    store = shutil.copy(made_home, tmp_path / "home.db")

    def run(*args: str) -> Result:
        return quietcuff("--store", str(store), *args)

    return run


def test_the_number_comes_first_and_says_what_it_rests_on(at_home: Run) -> None:
    result = at_home("average", "mira")
    lines = result.stdout.splitlines()
    assert result.exit_code == 0, result.stderr
    # by hand, without day 1: systolic (137 + 131)/2 and steps that sum to 0; diastolic (85.5 + 81.5)/2 - 2/6
    assert lines[0] == "Below the threshold of 135/85 mmHg, set by the esh-2023 rule."
    assert lines[1] == "mira: 134.0/83.2 mmHg, pulse 65/min"
    assert lines[2].startswith("Usual pressure, 95 %: ")
    assert lines[3].startswith("Chance that it is at or above 135/85 mmHg: about ")
    text = " ".join(result.stdout.split())
    assert "2031-03-03 to 2031-03-09, 7 days, 7 with readings, all that the rule prefers" in text
    assert "24 readings used of 30 taken" in text
    assert "4 readings: day 1 is left out" in text
    assert "1 reading: flagged: body movement" in text
    assert "1 reading: outside the morning and evening hours" in text
    assert "Of 6 day means" in text


def test_the_caution_is_said_always(at_home: Run, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("QUIETCUFF_STATION_EMERGENCY_NUMBER", "112")
    for more in ([], ["--json"], ["--since", "2040-01-01"]):
        assert "Change no medicine on your own" in at_home("average", "mira", *more).stderr
    assert "112" in at_home("average", "mira").stderr


def test_json_has_the_agreed_fields_in_their_order(at_home: Run) -> None:
    result = at_home("average", "mira", "--json")
    found = json.loads(result.stdout)
    assert list(found) == FIELDS
    assert (found["protocol"], found["from"], found["to"]) == ("esh-2023", "2031-03-03", "2031-03-09")
    assert (found["taken"], found["used"], found["days"]) == (30, 24, 7)
    assert (found["valid"], found["short_of"], found["at_or_above"]) == (True, [], False)
    assert found["morning"]["systolic"] - found["evening"]["systolic"] == pytest.approx(6)
    assert found["threshold"] == {"systolic": 135, "diastolic": 85, "set_by": "protocol"}
    assert len(found["excluded"]) == 6
    assert {one["reason"] for one in found["excluded"]} == {
        "day 1 is left out",
        "flagged: body movement",
        "outside the morning and evening hours",
    }
    assert len(found["more"]["used_ids"]) == 24


def test_what_is_printed_is_never_rounded_onto_the_threshold(at_home: Run) -> None:
    found = json.loads(at_home("average", "mira", "--json").stdout)
    printed = at_home("average", "mira").stdout.splitlines()[1].split()[1]
    assert found["systolic"] == pytest.approx(float(printed.split("/")[0]), abs=0.06)


def test_another_protocol_gives_another_answer(at_home: Run) -> None:
    result = at_home("average", "mira", "--protocol", "AHA/AMA 2020", "--json")
    found = json.loads(result.stdout)
    assert found["protocol"] == "aha-ama-2020"
    assert found["used"] == 28  # nothing is left out by day
    assert found["at_or_above"] is True


def test_a_short_series_says_what_is_missing_and_leaves_with_3(at_home: Run) -> None:
    result = at_home("average", "mira", "--since", "2031-03-03", "--until", "2031-03-04")
    assert result.exit_code == 3
    assert "so far, of interest only" in result.stdout
    assert result.stdout.startswith("TOO FEW TO SAY. Still needed: 1 more day with readings (2 of 3)")
    assert "Too few to say" in result.stderr
    found = json.loads(at_home("average", "mira", "--since", "2031-03-03", "--until", "2031-03-04", "--json").stdout)
    assert (found["valid"], found["at_or_above"], found["chance_at_or_above"]) == (False, None, None)
    assert found["short_of"][0] == "1 more day with readings (2 of 3)"


def test_a_reading_marked_as_taken_standing_is_shown_beside_the_one_before(at_home: Run, tmp_path: Path) -> None:
    assert json.loads(at_home("average", "mira", "--json").stdout)["on_standing"] == []
    every = map(json.loads, at_home("readings", "mira", "--json").stdout.splitlines())
    one = next(reading["reading_id"] for reading in every if reading["taken_at"].startswith("2031-03-05T07:02"))
    marked = at_home("strike", one, "--standing")
    assert (marked.exit_code, marked.stderr.split(";")[0]) == (0, "1 reading marked as taken standing")
    assert "is taken standing already" in at_home("strike", one).stderr
    assert at_home("rebuild").exit_code == 0
    found = json.loads(at_home("average", "mira", "--json").stdout)
    (pair,) = found["on_standing"]
    assert pair["standing_minus_sitting"] == {"systolic": -2, "diastolic": -1}
    assert (pair["after_s"], pair["meets_criterion"], found["used"]) == (120, False, 23)
    assert {"reading_id": pair["standing"], "reason": "taken standing"} in found["excluded"]
    text = " ".join(at_home("average", "mira").stdout.split())
    assert "Standing 136/85 sitting, 134/84 standing 2 min later; 0 of 1 meet the usual criterion" in text
    page = tmp_path / "mira.html"
    at_home("report", "mira", "--output", str(page))
    assert "134/84 standing 2 min later" in page.read_text()
    assert at_home("strike", one, "--undo").exit_code == 0
    assert json.loads(at_home("average", "mira", "--json").stdout)["used"] == 24


def test_hours_since_a_noted_dose_are_told_and_nothing_where_none_is(at_home: Run, tmp_path: Path) -> None:
    assert "dose" not in at_home("average", "mira").stdout
    assert json.loads(at_home("average", "mira", "--json").stdout)["hours_since_dose"] is None
    assert at_home("note", "add", "mira", "2031-03-05", "05:00", "--kind", "dose").exit_code == 0
    assert "never what it was or how much" in at_home("note", "add", "mira", "2031-03-05", "2", "--kind", "dose").stderr
    found = json.loads(at_home("average", "mira", "--json").stdout)["hours_since_dose"]
    assert found["readings"] == 6  # morning and evening of that day and the morning after
    assert f"taken {found['median']:.1f} hours after the last noted dose, median of 6 of 24 readings" in " ".join(
        at_home("average", "mira").stdout.split()
    )
    page = tmp_path / "mira.html"
    at_home("report", "mira", "--output", str(page))
    assert "hours after the last noted dose" in page.read_text()


def test_no_reading_at_all_is_no_average(at_home: Run) -> None:
    result = at_home("average", "mira", "--since", "2040-01-01", "--json")
    found = json.loads(result.stdout)
    assert result.exit_code == 3
    assert (found["systolic"], found["at_or_above"], found["taken"]) == (None, None, 0)


def test_very_high_and_irregular_want_telling(at_home: Run) -> None:
    result = at_home("average", "rui")
    assert result.exit_code == 3
    text = " ".join(result.stdout.split())
    assert "VERY HIGH 1 reading with a top value of 180 or more, or a lower one of 120 or more (mmHg)" in text
    assert "marked in 2 of 14 readings, on 2 days: less certain, diastolic most. An ECG can tell more." in text
    assert "Tell your clinician" in result.stderr
    assert "Sit quietly for 5 minutes" in result.stderr
    found = json.loads(at_home("average", "rui", "--json").stdout)
    assert len(found["more"]["very_high"]) == 1
    assert found["more"]["irregular_pulse"]["worth_telling"] is True


def test_one_persons_average_holds_nobody_elses_reading(at_home: Run) -> None:
    found = json.loads(at_home("average", "mira", "--json").stdout)
    own = {json.loads(line)["reading_id"] for line in at_home("readings", "mira", "--json").stdout.splitlines()}
    assert {*found["more"]["used_ids"], *(one["reading_id"] for one in found["excluded"])} == own


def test_each_reading_shows_what_became_of_it(at_home: Run) -> None:
    rows = at_home("average", "mira", "--readings").stdout.split("what became of it\n")[1].splitlines()
    assert len(rows) == 30
    assert sum(line.endswith("  used") for line in rows) == 24
    assert sum("not used: " in line for line in rows) == 6


def test_the_persons_plan_goes_before_the_protocol(at_home: Run, tmp_path: Path) -> None:
    (tmp_path / "c.toml").write_text("""
[people.Mira]
protocol = "ward-5"
threshold_systolic = 130
threshold_diastolic = 80
goal_systolic = 130
goal_diastolic = 80
low_systolic = 129
[protocols.ward-5]
based_on = "esh-2023"
drop_days = []
""")
    result = at_home("--config", str(tmp_path / "c.toml"), "average", "mira")
    assert "AT OR ABOVE the threshold of 130/80 mmHg, set by the person's plan." in result.stdout
    assert "Goal below 130/80 mmHg, set by the person's plan: not met." in result.stdout
    assert "Your plan counts 130/80 or more as high" in result.stderr
    assert "a top value below 129" in result.stderr
    found = json.loads(at_home("--config", str(tmp_path / "c.toml"), "average", "mira", "--json").stdout)
    assert found["threshold"] == {"systolic": 130, "diastolic": 80, "set_by": "plan"}
    assert found["used"] == 28
    assert found["more"]["goal"] == {"systolic": 130, "diastolic": 80, "set_by": "plan"}


@pytest.mark.parametrize(
    ("args", "code", "words"),
    [
        (["lena"], 1, "no person 'lena' in this store; `quietcuff person list` shows them"),
        ([], 2, "missing argument 'PERSON'"),
        (["mira", "--protocol", "esh-2032"], 2, "no protocol 'esh-2032'; did you mean 'esh-2023'?"),
        (["mira", "--since", "yesterday"], 2, "--since 'yesterday' is not a day; give a date like 2031-03-04"),
        (["mira", "--since", "2031-03-09", "--until", "2031-03-03"], 2, "swap them"),
    ],
)
def test_a_wrong_call_is_one_line(at_home: Run, args: list[str], code: int, words: str) -> None:
    result = at_home("average", *args)
    assert (result.exit_code, result.stdout) == (code, "")
    assert words in result.stderr
    assert result.stderr.count("\n") == 1


def test_the_list_names_every_published_protocol_with_its_source(quietcuff: Run) -> None:
    result = quietcuff("protocols")
    text = " ".join(result.stdout.split())
    for one in published():
        assert one.name in text
        assert " ".join(one.source.split()) in text
    assert "from memory: min days, preferred days, when" in text
    found = [json.loads(line) for line in quietcuff("protocols", "--json").stdout.splitlines()]
    assert [one["name"] for one in found] == [one.name for one in published()]
    assert all(one["source"] and one["edition"] for one in found)
    assert found[0]["from_memory"] == ["min_days", "preferred_days", "when"]
    assert found[0]["threshold"] == {"systolic": 135, "diastolic": 85}


def test_one_protocol_with_all_it_says(quietcuff: Run, tmp_path: Path) -> None:
    text = " ".join(quietcuff("protocols", "Doane 2018").stdout.split())
    assert "left out day 1; day 2; the first reading of each session" in text
    assert "at least 12 readings after all is left out" in text
    assert "days 5 in a row" in text
    (tmp_path / "c.toml").write_text('[protocols.ward-5]\nbased_on = "nice-ng136"\nthreshold = [130, 80]\n')
    own = quietcuff("--config", str(tmp_path / "c.toml"), "protocols", "ward-5")
    assert "from 130/80 mmHg" in own.stdout
    wrong = quietcuff("protocols", "nice")
    assert (wrong.exit_code, wrong.stdout) == (2, "")
    assert "no protocol 'nice'" in wrong.stderr

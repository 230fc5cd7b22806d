"""`office`, and what `average --json` says of office values, from a log that is imported, in any zone."""

import json
from collections.abc import Callable
from datetime import date
from pathlib import Path
from typing import Any

import pytest
from typer.testing import Result
from worked_logs import SURVEY, Row, log

Run = Callable[..., Result]
HOURS = {"morning": 7, "evening": 20}


@pytest.fixture
def home(quietcuff: Run, tmp_path: Path) -> Run:
    """A store with an invented person, and a protocol of a survey's rule."""
    (tmp_path / "c.toml").write_text(SURVEY)

    def run(*args: str) -> Result:
        return quietcuff("--store", str(tmp_path / "s.db"), "--config", str(tmp_path / "c.toml"), *args)

    assert run("person", "add", "mira").exit_code == 0
    return run


def week(systolic: int, diastolic: int, days: int = 7, offset: str = "") -> list[Row]:
    return [
        (f"2026-03-{day:02}T{hour:02}:0{minute}{offset}", systolic - 2 * minute, diastolic)
        for day in range(2, 2 + days)
        for hour in HOURS.values()
        for minute in (0, 1)
    ]


def told(result: Result) -> dict[str, Any]:
    found: dict[str, Any] = json.loads(result.stdout)
    return found


def test_visits_are_kept_listed_and_taken_back(home: Run) -> None:
    kept = home("office", "add", "mira", "152/94", "140/90", "138/88", "--on", "2026-03-10")
    assert kept.exit_code == 0, kept.stderr
    assert "kept for mira on 2026-03-10: 139/89 mmHg, stage 1 (ACC/AHA), high-normal (ESH)" in kept.stderr
    wide = home("office", "add", "mira", "150/90", "138/88")
    assert "take a third" in wide.stderr
    listed = home("office", "list", "mira")
    assert "152/94, 140/90, 138/88" in listed.stdout
    rows = [json.loads(line) for line in home("office", "list", "mira", "--json").stdout.splitlines()]
    assert [row["another_reading"] for row in rows] == [False, True]
    assert home("office", "remove", "mira", rows[0]["visit_id"][:10]).exit_code == 0
    assert len(home("office", "list", "mira", "--json").stdout.splitlines()) == 1


@pytest.mark.parametrize(
    ("args", "code", "words"),
    [
        (["mira", "139"], 2, "is not a blood pressure; give systolic over diastolic in mmHg, like 139/88"),
        (["mira", "80/130"], 2, "are they the wrong way round?"),
        (["mira", "1390/88"], 2, "lies outside what can be measured"),
        (["mira", "²/1"], 2, "is not a blood pressure"),
        (["mira", "139/88", "--on", "2199-01-01"], 2, "has not come yet"),
        (["lena", "139/88"], 1, "no person 'lena'"),
    ],
)
def test_a_wrong_visit_is_one_line(home: Run, args: list[str], code: int, words: str) -> None:
    result = home("office", "add", *args)
    assert (result.exit_code, result.stdout) == (code, "")
    assert words in result.stderr
    assert result.stderr.count("\n") == 1


@pytest.mark.parametrize(
    ("office", "acc_aha", "esh"),
    [
        ("119/79", "normal", "optimal"),
        ("129/79", "elevated", "normal"),
        ("139/89", "stage 1", "high-normal"),
        ("140/90", "stage 2", "grade 1"),
        ("145/85", "stage 2", "isolated systolic hypertension, grade 1"),
        ("139.5/89,5", "stage 1", "high-normal"),
    ],
)
def test_classes_without_any_reading_at_home(home: Run, office: str, acc_aha: str, esh: str) -> None:
    found = told(home("average", "mira", "--office", office, "--json"))
    assert (found["office_class_acc_aha"], found["office_class_esh"]) == (acc_aha, esh)
    assert found["home_against_office"] is None


@pytest.mark.parametrize("zone", ["UTC", "Pacific/Auckland", "America/Los_Angeles"])
def test_home_against_office_in_any_zone(home: Run, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, zone: str) -> None:
    monkeypatch.setenv("TZ", zone)
    assert home("import", log(tmp_path, week(128, 78)), "mira").exit_code == 0
    home("office", "add", "mira", "150/95", "146/91", "--on", "2026-03-10")
    found = told(home("average", "mira", "--protocol", "nice-ng136", "--json"))
    assert (found["used"], found["days"], found["missing_sessions"]) == (24, 7, 0)
    assert (found["from"], found["to"]) == ("2026-03-02", "2026-03-08")
    assert (found["systolic"], found["diastolic"], found["at_or_above"]) == (127, 78, False)
    assert found["home_against_office"] == "white-coat"
    assert (found["office"]["systolic"], found["office"]["diastolic"]) == (148, 93)
    assert sum(found["office"]["chances"].values()) == pytest.approx(1, abs=1e-6)
    assert found["another_reading"] is False
    assert found["second_threshold"] == {"systolic": 150, "diastolic": 95, "at_or_above": False}
    assert found["last_ten"] == 0
    assert found["range"] == found["rmssd"] == {"systolic": 0, "diastolic": 0}
    assert (found["pulse_pressure"], found["mean_pressure_estimate"]) == (49, pytest.approx(94.3333, abs=1e-4))
    assert found["chance_at_or_above"] < 0.1
    assert found["would_settle"] is None
    other = told(home("average", "mira", "-p", "nice-ng136", "--office", "130/80", "--json"))
    assert other["home_against_office"] == "both below"
    page = home("average", "mira", "-p", "nice-ng136").stdout
    assert "white-coat (in treated people: white-coat effect) by definition; chance that it holds" in " ".join(
        page.split()
    )


def test_a_close_call_says_what_would_settle_it(home: Run, tmp_path: Path) -> None:
    home("import", log(tmp_path, week(135, 84)), "mira")
    found = told(home("average", "mira", "--json"))
    assert found["at_or_above"] is False
    assert 0.2 < found["chance_at_or_above"] < 0.8
    assert found["more"]["call"] == "too close to call"
    shown = home("average", "mira")
    assert "too close to call" in shown.stdout
    assert "percent" not in shown.stdout + shown.stderr


def test_atrial_fibrillation_draws_no_class(home: Run, tmp_path: Path) -> None:
    with (tmp_path / "c.toml").open("a") as file:
        file.write('[people.mira]\nborn = 1940\nconditions = ["atrial fibrillation", "kidney disease"]\n')
    home("import", log(tmp_path, week(128, 78)), "mira")
    found = told(home("average", "mira", "--office", "150/95", "--json"))
    assert found["home_against_office"] is None
    assert found["office_class_acc_aha"] == "stage 2"
    assert found["more"]["goal"] is None
    assert "no guideline gives a goal" in found["more"]["goal_note"]
    shown = " ".join(home("average", "mira", "--office", "150/95").stdout.split())
    assert "not compared: with atrial fibrillation" in shown
    assert "3 readings a sitting are asked for: 14 of 14 sittings have fewer" in shown
    rule = " ".join(home("protocols", "esh-2023").stdout.split())
    assert "2 readings, 60 s apart, morning and evening; 3 with atrial fibrillation" in rule


@pytest.mark.parametrize(
    ("rows", "mean"),
    [
        ([("08:00", 150, 90), ("08:01", 140, 80), ("08:02", 130, 82)], (135, 81)),
        ([("08:00", 150, 90), ("08:01", 140, 80)], (140, 80)),
        ([("08:00", 150, 90)], (150, 90)),
        ([("08:00", "-", "-"), ("08:01", 140, 80), ("08:02", 130, 82)], (135, 81)),
    ],
)
def test_the_surveys_rule_through_import(home: Run, tmp_path: Path, rows: list[Row], mean: tuple[int, int]) -> None:
    dated = [(f"2026-03-02 {at}", systolic, diastolic) for at, systolic, diastolic in rows]
    taken = home("import", log(tmp_path, dated), "mira")
    assert taken.exit_code == 0, taken.stderr
    found = told(home("average", "mira", "--protocol", "survey", "--json"))
    assert (found["systolic"], found["diastolic"], found["valid"]) == (*mean, True)


def test_a_travellers_morning_stays_a_morning(home: Run, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("QUIETCUFF_STATION_ZONE", "Europe/Vienna")
    home("import", log(tmp_path, week(138, 86, offset="+09:00")), "mira")
    found = told(home("average", "mira", "--json"))
    assert (found["used"], found["days"]) == (24, 7)
    assert (found["morning"]["readings"], found["evening"]["readings"]) == (12, 12)


def test_a_mean_just_below_goes_out_as_it_is_printed(home: Run, tmp_path: Path) -> None:
    """134.96 beside 135 is neither printed nor sent as 135.0, which would not be below."""
    rows = week(135, 80)
    rows = [(at, 135 if n % 25 else 134, d) for n, (at, _, d) in enumerate(rows)]
    rows[-1] = (rows[-1][0], 134, 80)
    home("import", log(tmp_path, rows), "mira")
    found = told(home("average", "mira", "--json"))
    assert 134.9 < found["systolic"] < 135
    printed = home("average", "mira").stdout.splitlines()[1].split()[1]
    sent = home("export", "--to", "fhir", "mira", "--average", "esh-2023").stdout
    means = [
        part["valueQuantity"]["value"]
        for entry in json.loads(sent)["entry"]
        for part in entry["resource"].get("component", [])
        if part["code"]["coding"][0]["code"] == "96608-5"
    ]
    assert [str(value) for value in means] == [printed.split("/")[0]]


def test_spread_of_readings_and_of_days(home: Run, tmp_path: Path) -> None:
    home("import", log(tmp_path, week(138, 86)), "mira")
    assert told(home("average", "mira", "--json"))["range"]["systolic"] == 0
    of_readings = told(home("average", "mira", "--spread", "readings", "--json"))
    assert (of_readings["range"]["systolic"], of_readings["more"]["spread_of"]) == (2, "readings")


def test_a_log_of_tens_is_asked_about(home: Run, tmp_path: Path) -> None:
    home("import", log(tmp_path, [(at, 140, 90) for at, _, _ in week(140, 90)]), "mira")
    shown = home("average", "mira")
    assert "end in 0: rounded?" in shown.stdout
    assert "copied, or sent twice?" in shown.stdout


def test_without_a_date_a_visit_is_today(home: Run) -> None:
    home("office", "add", "mira", "139/88")
    assert json.loads(home("office", "list", "mira", "--json").stdout)["day"] <= date.today().isoformat()

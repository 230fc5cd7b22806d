"""`note`, `change` and `trend` over half a year of an invented person."""

import json
import re
import shutil
from collections.abc import Callable
from datetime import timedelta
from pathlib import Path

import pytest
from measured import MONDAY, make_store, week
from typer.testing import Result

Run = Callable[..., Result]


@pytest.fixture(scope="session")
def made_half_year(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """mira: six weeks of 150/95, then, from 14 April on, six weeks 20/12 lower; rui: nothing but three days."""
    rows = [
        row
        for number in range(12)
        for row in week(MONDAY + timedelta(weeks=number), *((150, 95) if number < 6 else (130, 83)))
    ]
    return make_store(
        tmp_path_factory.mktemp("half") / "half.db",
        [*rows, *week(MONDAY, 120, 75, days=3, slot=2)],
        {"mira": 1, "rui": 2},
    )


@pytest.fixture
def at_home(quietcuff: Run, made_half_year: Path, tmp_path: Path) -> Run:
    store = shutil.copy(made_half_year, tmp_path / "half.db")

    def run(*args: str) -> Result:
        return quietcuff("--store", str(store), *args)

    return run


def found(result: Result) -> dict[str, object]:
    return dict(json.loads(result.stdout))


def test_notes_are_added_listed_and_taken_back(at_home: Run) -> None:
    assert "quietcuff change mira" in at_home("note", "add", "MIRA", "2031-04-14", "new tablet").stderr
    assert at_home("note", "add", "mira", "2031-05-01", "flew", "--kind", "other").exit_code == 0
    listed = at_home("note", "list", "mira").stdout.splitlines()
    assert [line.split()[:2] for line in listed[1:]] == [["2031-04-14", "regimen"], ["2031-05-01", "other"]]
    (first, second) = map(json.loads, at_home("note", "list", "mira", "--json").stdout.splitlines())
    assert (first["day"], first["kind"], first["text"]) == ("2031-04-14", "regimen", "new tablet")
    assert at_home("note", "remove", "mira", second["note_id"][:6]).stderr == "taken back: 2031-05-01 flew\n"
    assert len(at_home("note", "list", "mira", "--json").stdout.splitlines()) == 1
    assert "no notes for rui" in at_home("note", "list", "rui").stderr


@pytest.mark.parametrize(
    ("args", "code", "words"),
    [
        (["add", "lena", "2031-04-14", "x"], 1, "no person 'lena'"),
        (["add", "mira", "14.4.", "x"], 2, "DATE '14.4.' is not a day; give a date like 2031-03-04"),
        (["add", "mira", "2031-04-14", "  "], 1, "a note has 1 to 500 characters"),
        (["add", "mira", "2031-04-14", "x", "--kind", "diet"], 2, "regimen"),
        (["remove", "mira", "beef"], 1, "no note of mira has an id that begins with 'beef'"),
    ],
)
def test_a_wrong_note_is_one_line(at_home: Run, args: list[str], code: int, words: str) -> None:
    result = at_home("note", *args)
    assert (result.exit_code, result.stdout) == (code, "")
    assert words in result.stderr
    assert result.stderr.count("\n") == 1


def test_a_difference_is_shown_with_its_interval_and_cautions(at_home: Run) -> None:
    at_home("note", "add", "mira", "2031-04-14", "new tablet in the morning")
    result = at_home("change", "mira")
    lines = result.stdout.splitlines()
    assert result.exit_code == 0, result.stderr
    assert lines[0] == "mira, change of 2031-04-14: new tablet in the morning"
    systolic = next(line for line in lines if line.startswith("systolic"))
    assert "-20.0" in systolic
    assert re.search(r"-\d\d\.\d to -\d\d\.\d", systolic)
    assert "The top value is 20 lower than before. Chance alone would rarely do that." in result.stderr
    assert "of the 20 may be that" in result.stderr
    assert "14 days from the change on" in result.stdout
    for words in ("difference", "fall back by themselves", "winter", "Change no medicine on your own"):
        assert words in result.stderr
    assert "effect" not in (result.stdout + result.stderr).lower()


def test_json_of_a_change(at_home: Run) -> None:
    answer = found(at_home("change", "mira", "--at", "2031-04-14", "--json"))
    assert (answer["at"], answer["compared"], answer["note"], answer["washout_days"]) == ("2031-04-14", True, None, 14)
    assert answer["overall"]["systolic"]["difference"] == pytest.approx(-20, abs=1)  # type: ignore[index]
    assert answer["before"]["to"] == "2031-04-13"  # type: ignore[index]
    assert answer["after"]["from"] == "2031-04-28"  # type: ignore[index]


def test_a_wait_of_another_length(at_home: Run) -> None:
    answer = found(at_home("change", "mira", "--at", "2031-04-14", "--wait", "0", "--json"))
    assert answer["after"]["from"] == "2031-04-14"  # type: ignore[index]


def test_neither_side_reaches_over_another_noted_change(at_home: Run) -> None:
    at_home("note", "add", "mira", "2031-03-24", "other tablet")
    answer = found(at_home("change", "mira", "--at", "2031-04-14", "--json"))
    assert answer["before"]["from"] == "2031-04-07"  # type: ignore[index]  # 14 days after the first change


def test_too_little_on_one_side_is_not_compared(at_home: Run) -> None:
    result = at_home("change", "mira", "--at", "2031-03-04")
    assert result.exit_code == 3
    assert "Not enough to compare. Still needed, before the change:" in result.stderr
    assert "difference" not in result.stdout
    answer = found(at_home("change", "mira", "--at", "2031-03-04", "--json"))
    assert answer["overall"] is None
    assert answer["short_of"]


def test_a_change_noted_for_a_day_to_come_waits(at_home: Run) -> None:
    at_home("note", "add", "mira", "2031-04-14", "new tablet")
    at_home("note", "add", "mira", "2031-07-01", "planned")
    assert found(at_home("change", "mira", "--json"))["at"] == "2031-04-14"


@pytest.mark.parametrize("day", ["0001-01-01", "1899-12-31", "2200-01-01", "9999-12-31"])
def test_a_day_out_of_the_calendar_is_told(at_home: Run, tmp_path: Path, day: str) -> None:
    page = str(tmp_path / "x.html")
    for command in (
        ["change", "mira", "--at", day],
        ["average", "mira", "--since", day],
        ["trend", "mira", "--to", day],
        ["note", "add", "mira", day, "x"],
        ["report", "mira", "-o", page, "--since", day],
    ):
        result = at_home(*command)
        assert (result.exit_code, result.stdout) == (2, ""), command
        assert "is out of the calendar; give a day from 1900-01-01 to 2199-12-31" in result.stderr


@pytest.mark.parametrize("day", ["1900-01-01", "2199-12-31"])
def test_the_outermost_days_can_be_reckoned_with(at_home: Run, tmp_path: Path, day: str) -> None:
    at_home("note", "add", "mira", day, "x")
    page = str(tmp_path / "x.html")
    for command in (
        ["change", "mira", "--at", day],
        ["change", "mira"],
        *(["average", "mira", option, day] for option in ("--since", "--until")),
        *(["trend", "mira", option, day] for option in ("--since", "--until")),
        *(["report", "mira", "-o", page, option, day] for option in ("--plot-since", "--since", "--until")),
    ):
        result = at_home(*command)
        assert "unforeseen" not in result.stderr, (command, result.stderr)
        assert result.exit_code in (0, 1, 3)


def test_without_a_noted_change_it_says_how_to_note_one(at_home: Run) -> None:
    at_home("note", "add", "mira", "2031-05-01", "flew", "--kind", "other")
    result = at_home("change", "mira")
    assert (result.exit_code, result.stdout) == (2, "")
    assert "no change of regimen is noted for mira; give --at DATE, or note it" in result.stderr


def test_the_plot_and_its_table(at_home: Run) -> None:
    at_home("note", "add", "mira", "2031-04-14", "new tablet")
    lines = at_home("trend", "mira").stdout.splitlines()
    assert lines[0] == "systolic, mmHg"
    assert any("▲" in line for line in lines)
    assert max(map(len, lines)) <= 72
    weeks = [line for line in lines if line.startswith("2031-") and "/" in line]
    assert len(weeks) == 12
    # by hand, all 28 readings: 150 + 8/7 - 3 - 1 over 95 + 2/7 - 2 - 0.5
    assert weeks[0].split()[:3] == ["2031-03-03", "147.1/92.8", "*"]
    months = at_home("trend", "mira", "--months").stdout
    assert "2031-05  " in months
    assert "week from" not in months


def test_json_of_a_trend(at_home: Run) -> None:
    answer = found(at_home("trend", "mira", "--since", "2031-03-10", "--until", "2031-03-23", "--json"))
    assert [one["from"] for one in answer["weeks"]] == ["2031-03-10", "2031-03-17"]  # type: ignore[attr-defined]
    assert len(answer["days"]) == 14  # type: ignore[arg-type]
    assert answer["threshold"] == {"systolic": 135, "diastolic": 85}


def test_a_trend_of_nothing_and_a_contradiction(at_home: Run) -> None:
    result = at_home("trend", "mira", "--since", "2040-01-01")
    assert (result.exit_code, result.stdout) == (3, "")
    assert "no usable reading of mira" in result.stderr
    both = at_home("trend", "mira", "--weeks", "--months")
    assert (both.exit_code, both.stdout) == (2, "")

"""Readings struck out, corrected, or copied by hand: kept, marked, counted nowhere, and all of it taken back."""

import json
from collections.abc import Callable
from pathlib import Path

import pytest
from typer.testing import Result

from collector.store import audit
from collector.store.opening import open_store

Run = Callable[..., Result]


@pytest.fixture
def home(quietcuff: Run, household: Path, monkeypatch: pytest.MonkeyPatch) -> Run:
    """The household's store, in which the kitchen cuff's slot is mira's."""
    monkeypatch.setenv("QUIETCUFF_STORE", str(household))
    monkeypatch.setenv("QUIETCUFF_STATION_ZONE", "Europe/Lisbon")
    assert quietcuff("person", "add", "mira").exit_code == 0
    assert quietcuff("person", "give", "mira", "--cuff", "kitchen", "--slot", "1").exit_code == 0
    return quietcuff


def all_of(run: Run) -> list[dict[str, object]]:
    return [json.loads(line) for line in run("readings", "--json").stdout.splitlines()]


def used(run: Run) -> set[str]:
    found = json.loads(run("average", "mira", "--json", "--since", "2031-03-04", "--until", "2031-03-15").stdout)
    return {one["reading_id"] for one in all_of(run)} - {one["reading_id"] for one in found["excluded"]}


def test_struck_out_it_is_kept_and_counts_nowhere_until_that_is_taken_back(home: Run, household: Path) -> None:
    before = all_of(home)
    one = next(reading for reading in before if reading["reading_id"] in used(home))
    result = home("strike", str(one["reading_id"])[:6])
    assert result.exit_code == 0, result.stderr
    (struck,) = (reading for reading in all_of(home) if reading["reading_id"] == one["reading_id"])
    assert struck["marks"] == ["struck out"]
    assert one["reading_id"] not in used(home)
    assert "struck out" in home("average", "mira", "--readings", "--since", "2031-03-04").stdout
    with open_store(household, read_only=True) as store:
        assert [change.what for change in audit.about_reading(store, str(one["reading_id"]))] == ["reading struck out"]
    assert home("strike", str(one["reading_id"])).exit_code == 1  # it is already
    assert home("rebuild").exit_code == 0
    assert one["reading_id"] not in used(home)
    assert home("strike", str(one["reading_id"]), "--undo").exit_code == 0
    assert all_of(home) == before
    with open_store(household, read_only=True) as store:
        told = [change.what for change in audit.about_reading(store, str(one["reading_id"]))]
    assert told == ["reading struck out", "reading no longer struck out"]
    assert home("rebuild").exit_code == 0
    assert all_of(home) == before


def test_corrected_another_stands_in_its_place_until_that_is_taken_back(home: Run) -> None:
    before = all_of(home)
    wrong = next(reading for reading in before if reading["systolic"] == 191)
    result = home("correct", str(wrong["reading_id"]), "--systolic", "129", "--pulse", "61")
    assert result.exit_code == 0, result.stderr
    now = {reading["reading_id"]: reading for reading in all_of(home)}
    assert now[wrong["reading_id"]]["marks"] == ["corrected"]
    (new,) = (reading for reading_id, reading in now.items() if reading_id not in {one["reading_id"] for one in before})
    assert (new["systolic"], new["diastolic"], new["pulse"]) == (129, wrong["diastolic"], 61)
    assert (new["person"], new["taken_at"], new["taken_basis"]) == ("mira", wrong["taken_at"], "hand-written")
    assert new["note"] == f"corrects {wrong['reading_id']}"
    assert wrong["reading_id"] not in used(home)
    assert new["reading_id"] in used(home)
    assert home("correct", str(wrong["reading_id"]), "--undo").exit_code == 0
    assert wrong["reading_id"] in used(home)
    assert new["reading_id"] not in used(home)


def test_strike_does_not_take_a_correction_back_which_would_count_both(home: Run) -> None:
    wrong = next(reading for reading in all_of(home) if reading["systolic"] == 191)
    assert home("correct", str(wrong["reading_id"]), "--systolic", "129").exit_code == 0
    before = all_of(home)
    result = home("strike", str(wrong["reading_id"]), "--undo")
    assert (result.exit_code, result.stderr.count("\n")) == (1, 1)
    assert f"`quietcuff correct {wrong['reading_id']} --undo`" in result.stderr
    assert all_of(home) == before


@pytest.mark.parametrize(
    ("said", "reason"),
    [
        (("--systolic", "390"), "systolic 390 mmHg is outside 50 to 280"),
        (("--systolic", "71", "--diastolic", "129"), "systolic 71 is less than 10 mmHg over diastolic 129"),
        (("--pulse", "310"), "pulse 310 per minute is outside 25 to 220"),
    ],
)
def test_a_slip_of_the_pen_is_no_correction(home: Run, said: tuple[str, ...], reason: str) -> None:
    before = all_of(home)
    wrong = next(reading for reading in before if reading["systolic"] == 191)
    result = home("correct", str(wrong["reading_id"]), *said)
    assert result.exit_code == 1
    assert reason in result.stderr
    assert all_of(home) == before


def test_a_hand_written_reading_can_be_corrected_in_its_pulse_alone(home: Run, tmp_path: Path) -> None:
    log = tmp_path / "log.csv"
    log.write_text("taken_at,systolic,diastolic,pulse,person\n2026-03-04 07:30,128,81,640,mira\n".replace("640", "46"))
    home("import", str(log))
    (one,) = (reading for reading in all_of(home) if reading["cuff"] == "hand")
    assert home("correct", str(one["reading_id"]), "--pulse", "64").exit_code == 0
    by_hand = [reading for reading in all_of(home) if reading["cuff"] == "hand"]
    assert sorted((reading["pulse"], tuple(reading["marks"])) for reading in by_hand) == [
        (46, ("corrected",)),
        (64, ()),
    ]


@pytest.mark.parametrize("put_right", ["before", "after"])
def test_put_right_in_the_log_and_here_it_counts_once(home: Run, tmp_path: Path, put_right: str) -> None:
    """Whichever came first: the line in the log, taken in before, counted beside the correction."""
    log = tmp_path / "log.csv"

    def write(systolic: int) -> None:
        log.write_text(f"taken_at,systolic,diastolic,person\n2026-03-04 07:30,{systolic},81,mira\n")
        home("import", str(log))

    def counting() -> list[object]:
        return [one["systolic"] for one in all_of(home) if one["cuff"] == "hand" and not one["marks"]]

    write(184)
    (wrong,) = (str(one["reading_id"]) for one in all_of(home) if one["cuff"] == "hand")
    if put_right == "before":
        write(134)
    told = home("correct", wrong, "--systolic", "134").stderr
    assert ("says the same of that time: it is marked 'written twice'" in told) == (put_right == "before")
    if put_right == "after":
        write(134)
    assert counting() == [134]
    before = all_of(home)
    assert home("rebuild").exit_code == 0
    assert all_of(home) == before
    assert home("correct", wrong, "--undo").exit_code == 0
    assert counting() == [184, 134]
    assert "the same of that time" not in home("correct", wrong, "--systolic", "144").stderr
    assert counting() == [134, 144]


@pytest.mark.parametrize(
    ("args", "code", "words"),
    [
        (["correct", "zz"], 2, "say what it should be"),
        (["correct", "3f", "--systolic", "NaN"], 2, "--systolic 'NaN' is not a number"),
        (["correct", "3f", "--systolic", "-3"], 2, "negative"),
        (["correct", "3f", "--systolic", "1290"], 2, "outside what can be measured (1 to 400)"),
        (["correct", "2031-03-04T07:00", "--systolic", "0"], 2, "lies outside what can be measured"),
        (["correct", "2031-03-04T07:00", "--taken-at", "9998-12-31T00:00"], 1, "has not come yet"),
        (["correct", "2031-03-04T07:00", "--taken-at", "1700-12-31T00:00Z"], 1, "is not of 1900 to 2199"),
        (["strike", "2031-01-01T07:30"], 2, "no reading was taken at"),
        (["strike", "ffffffff"], 1, "no reading has an id"),
        (["strike", "2031-03-04T07:00", "--undo"], 1, "is not struck out"),
    ],
)
def test_a_wrong_call_is_one_line(home: Run, args: list[str], code: int, words: str) -> None:
    result = home(*args)
    assert (result.exit_code, result.stderr.count("\n")) == (code, 1)
    assert words in result.stderr


@pytest.mark.parametrize("again", [False, True])
def test_a_cuffs_reading_corrected_in_its_pulse_alone_counts_once(home: Run, again: bool) -> None:
    wrong = next(reading for reading in all_of(home) if reading["systolic"] == 191)
    known = {one["reading_id"] for one in all_of(home)}
    assert home("correct", str(wrong["reading_id"]), "--pulse", "61").exit_code == 0
    (new,) = (one for one in all_of(home) if one["reading_id"] not in known)
    if again:
        known.add(new["reading_id"])
        assert home("correct", str(new["reading_id"]), "--pulse", "62").exit_code == 0
        (new,) = (one for one in all_of(home) if one["reading_id"] not in known)
    assert new["marks"] == []
    assert new["reading_id"] in used(home)
    assert wrong["reading_id"] not in used(home)


def test_what_was_taken_back_counts_once_whatever_is_said_of_the_one_in_its_place(home: Run) -> None:
    wrong = next(reading for reading in all_of(home) if reading["systolic"] == 191)
    known = {one["reading_id"] for one in all_of(home)}
    assert home("correct", str(wrong["reading_id"]), "--systolic", "129").exit_code == 0
    (new,) = (str(one["reading_id"]) for one in all_of(home) if one["reading_id"] not in known)
    assert home("correct", str(wrong["reading_id"]), "--undo").exit_code == 0
    for said in (("strike", new, "--undo"), ("strike", new), ("correct", new, "--systolic", "131")):
        assert home(*said).exit_code == 1
        assert new not in used(home)
    assert wrong["reading_id"] in used(home)
    before = all_of(home)
    assert home("rebuild").exit_code == 0
    assert all_of(home) == before


@pytest.mark.parametrize(
    ("then", "counting"), [(("correct", "--systolic", "131"), [131]), (("strike",), []), (("correct", "--undo"), [191])]
)
def test_put_right_at_two_stations_a_reading_counts_once_at_most(
    home: Run, household: Path, then: tuple[str, ...], counting: list[int], tmp_path: Path
) -> None:
    wrong = next(str(reading["reading_id"]) for reading in all_of(home) if reading["systolic"] == 191)
    there = tmp_path / "there.db"
    assert home("--store", str(there), "merge", str(household)).exit_code == 0
    assert home("correct", wrong, "--systolic", "129").exit_code == 0
    if "--undo" in then:
        assert home("--store", str(there), "correct", wrong, "--systolic", "130").exit_code == 0
    assert home("--store", str(there), then[0], wrong, *then[1:]).exit_code == 0
    assert home("merge", str(there)).exit_code == 0
    assert home("--store", str(there), "merge", str(household)).exit_code == 0
    of_then = [one for one in all_of(home) if one["taken_at"] == "2031-03-06T21:00:00+00:00" and not one["marks"]]
    assert [one["systolic"] for one in of_then] == counting
    assert home("--store", str(there), "readings", "--json").stdout == home("readings", "--json").stdout


@pytest.mark.parametrize("words", [("strike",), ("person", "claim", "mira"), ("person", "release")])
def test_a_minute_in_which_two_people_measured_names_neither(home: Run, tmp_path: Path, words: tuple[str, ...]) -> None:
    """A time typed for one took the other's reading too: struck out, or given to somebody whose it is not."""
    log = tmp_path / "log.csv"
    rows = [f"2026-03-01 07:31,{systolic},80,{person}" for systolic, person in ((126, "mira"), (140, "tomas"))]
    log.write_text("\n".join(["taken_at,systolic,diastolic,person", *rows, "2026-03-01 07:32,128,80,mira", ""]))
    assert home("person", "add", "tomas").exit_code == 0
    assert home("import", str(log)).exit_code == 0
    before = all_of(home)
    result = home(*words, "2026-03-01T07:31")
    assert result.exit_code == 2
    for reading in before:
        named = f"{str(reading['reading_id'])[:8]} ({reading['person']})"
        assert (named in result.stderr) == (reading["systolic"] in (126, 140) and reading["cuff"] == "hand")
    assert all_of(home) == before
    assert home("strike", "2026-03-01T07:32").exit_code == 0

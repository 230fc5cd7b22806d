"""`quietcuff import`: good lines in, bad lines told by number, nothing twice, all apart from the cuffs' readings."""

import json
from collections.abc import Callable
from datetime import UTC, datetime
from pathlib import Path

import pytest
from typer.testing import Result

from collector import intake
from collector.store import journal
from collector.store.opening import open_store
from parsers.measurement import build_measurement, measurement

Run = Callable[..., Result]

GOOD = """taken_at,systolic,diastolic,pulse,person,arm,note
2026-03-04 07:30,128,81,64,mira,left,after coffee
2026-03-04T21:30+01:00,131.5,84,,,,
2026-03-05 07:30,310,20,64,mira,left,
"""


@pytest.fixture
def take(quietcuff: Run, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Callable[..., Result]:
    """`take(text, *options)` imports a log of this text; mira is in the store, the station is in Lisbon."""
    monkeypatch.setenv("QUIETCUFF_STORE", str(tmp_path / "log.db"))
    monkeypatch.setenv("QUIETCUFF_STATION_ZONE", "Europe/Lisbon")
    assert quietcuff("person", "add", "mira").exit_code == 0

    def run(text: str | bytes, *options: str) -> Result:
        file = tmp_path / "log.csv"
        file.write_bytes(text if isinstance(text, bytes) else text.encode("utf-8"))
        return quietcuff("import", str(file), *options)

    return run


def stored(quietcuff: Run) -> list[dict[str, object]]:
    return [json.loads(line) for line in quietcuff("readings", "--json").stdout.splitlines()]


def test_a_log_becomes_readings_that_say_they_are_hand_written(take: Run, quietcuff: Run, tmp_path: Path) -> None:
    result = take(GOOD)
    assert (result.exit_code, result.stdout) == (0, "")
    assert result.stderr == f"3 readings taken from {tmp_path}/log.csv\n"
    first, second, third = stored(quietcuff)
    assert (first["systolic"], first["diastolic"], first["pulse"], first["unit"]) == (128, 81, 64, "mmHg")
    assert (first["cuff"], first["taken_basis"], first["person"]) == ("hand", "hand-written", "mira")
    assert first["note"] == "after coffee; arm: left"
    assert (second["systolic"], second["pulse"], second["person"], second["note"]) == (131.5, None, None, None)
    assert third["marks"] == ["implausible"]  # marked, not dropped
    table = quietcuff("readings", "mira").stdout
    assert "by hand" in table
    assert "hand-written" in table


def test_a_copy_of_a_cuffs_reading_is_told(take: Run, quietcuff: Run, tmp_path: Path) -> None:
    at = datetime(2026, 3, 4, 7, 30, tzinfo=UTC)  # as in Lisbon
    value = build_measurement(measurement(128, 81, stamp=at.replace(tzinfo=None)))
    with open_store(tmp_path / "log.db") as store:
        sent = journal.append(
            store, cuff="C0:FF:EE:00:00:01", characteristic=0x2A35, value=value, arrived_at=at, source="test"
        )
        intake.interpret(store, sent.payload)
    assert len(take(GOOD).stderr.splitlines()) == 1  # what the cuff sent is nobody's, and counts nowhere
    assert quietcuff("person", "give", "mira", "--cuff", "C0:FF:EE:00:00:01").exit_code == 0
    told = take(GOOD.replace(",64,mira", ",65,mira").replace("07:30,128", "07:30:20,128")).stderr.splitlines()
    assert told[1] == "1 of them is in the store from a cuff already: kept, and counted once"


def test_the_same_log_again_adds_nothing_and_a_longer_one_only_what_is_new(take: Run, quietcuff: Run) -> None:
    take(GOOD)
    before = stored(quietcuff)
    again = take(GOOD)
    assert again.exit_code == 0
    assert again.stderr.startswith("0 readings taken from ")
    assert again.stderr.endswith(", 3 were there already\n")
    assert stored(quietcuff) == before
    assert take(GOOD + "2026-03-06 07:30,126,80,,mira,,\n").stderr.endswith("3 were there already\n")
    assert len(stored(quietcuff)) == 4
    rebuilt = quietcuff("rebuild")
    assert rebuilt.exit_code == 0
    assert [one["person"] for one in stored(quietcuff)] == ["mira", None, "mira", "mira"]


def test_a_line_that_was_put_right_in_the_log_is_told(take: Run, quietcuff: Run) -> None:
    """Seen: a slip mended in the spreadsheet, and what was typed first counted beside it without a word."""
    head, line = "taken_at,systolic,diastolic,person\n", "2026-03-04 07:30,{},81,mira\n"
    assert take(head + line.format(228) + line.format(131)).exit_code == 0  # two of one minute are two
    told = take(head + line.format(128) + line.format(131))
    wrong = next(str(one["reading_id"]) for one in stored(quietcuff) if one["systolic"] == 228)
    assert (told.exit_code, told.stderr.count("\n")) == (3, 2)
    assert "228/81 at 2026-03-04 07:30+00:00" in told.stderr
    assert f"`quietcuff strike {wrong[:8]}`" in told.stderr
    assert quietcuff("strike", wrong[:8]).exit_code == 0
    assert take(head + line.format(128) + line.format(131) + line.format(141)).exit_code == 0


def test_every_line_that_was_put_right_is_told_as_the_next_import_tells_of_none(take: Run) -> None:
    lines = "taken_at,systolic,diastolic,person\n" + "".join(
        f"2026-03-{day:02} 07:30,131,81,mira\n" for day in range(1, 25)
    )
    assert take(lines).exit_code == 0
    strike = take(lines.replace(",131,", ",132,")).stderr.partition("`quietcuff strike ")[2].partition("`")[0]
    assert len(strike.split()) == 24


def test_bad_lines_are_told_by_number_and_nothing_is_taken(take: Run, quietcuff: Run, tmp_path: Path) -> None:
    bad = GOOD + (
        "2026-03-06,126,80,,,,\n,126,80,,,,\nlate,126,80,,,,\n2026-03-06 07:30,,80,,,,\n"
        "2026-03-06 07:30,126,8o,,,,\n2026-03-06 07:30,126,80,-3,,,\n2999-03-06 07:30,126,80,,,,\n"
        "2026-03-06 07:30,126,80,,,,,extra\n2026-03-06 07:30,1.2e2,80,,,,\n"
    )
    result = take(bad)
    assert result.exit_code == 1
    lines = result.stderr.splitlines()
    told = {line.split(": ", 2)[1].removeprefix(f"{tmp_path}/log.csv, "): line.split(": ", 2)[2] for line in lines[:-1]}
    assert told == {
        "line 5": "taken_at '2026-03-06' has no time of day, such as 2031-03-04 07:30",
        "line 6": "taken_at is empty",
        "line 7": "taken_at 'late' is not a time such as 2031-03-04 07:30",
        "line 8": "systolic is empty",
        "line 9": "diastolic '8o' is not a number",
        "line 10": "pulse '-3' is negative",
        "line 11": "taken_at '2999-03-06 07:30' has not come yet",
        "line 12": "8 cells, but 7 columns",
        "line 13": "systolic '1.2e2' is not a number",
    }
    assert lines[-1].startswith("nothing was taken: mend those 9 lines, or take the good ones with --skip-bad")
    assert stored(quietcuff) == []
    skipped = take(bad, "--skip-bad")
    assert skipped.exit_code == 3
    assert skipped.stderr.endswith(", 9 left out\n")
    assert len(stored(quietcuff)) == 3


def test_times_without_offset_are_the_stations(take: Run, quietcuff: Run) -> None:
    take("taken_at;systolic;diastolic\n2026-07-01 07:30;120,5;80\n")
    (one,) = stored(quietcuff)
    assert one["systolic"] == 120.5
    assert quietcuff("readings", "--json", "--since", "2026-07-01T06:30Z", "--until", "2026-07-01T06:31Z").stdout


def test_the_first_line_says_what_separates(take: Run, quietcuff: Run) -> None:
    take("taken_at,systolic,diastolic,note\n2026-07-01 07:30,120,80,a; b; c; d; e; f; g\n")
    (one,) = stored(quietcuff)
    assert (one["systolic"], one["note"]) == (120, "a; b; c; d; e; f; g")


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("", "line 1: no column taken_at, systolic, diastolic; the first line names the columns"),
        ("hour,systolic,diastolic\n", "line 1: no column taken_at"),
        ("taken_at,systolic,diastolic,systolic\n", "line 1: two columns are called systolic"),
        ("reading_id,taken_at,systolic,diastolic,payload\n", "is an export of quietcuff"),
        ("taken_at,systolic,diastolic\n2026-03-04 07:30,128,81\n".encode("utf-16"), "not UTF-8"),
        (b"taken_at,systolic,diastolic,who\n2026-03-04 07:30,128,81,Ren\xe9\n", "line 2: not UTF-8"),
        ('taken_at,systolic,diastolic\n"2026-03-04 07:30,128,81\n', "not CSV"),
    ],
)
def test_a_file_that_cannot_be_used_is_one_line(take: Run, text: str | bytes, words: str) -> None:
    result = take(text)
    assert result.exit_code == 1
    assert words in result.stderr
    assert result.stderr.count("\n") == 1


def test_whose_it_is(take: Run, quietcuff: Run) -> None:
    text = "taken_at,systolic,diastolic,person\n2026-03-04 07:30,128,81,\n2026-03-05 07:30,128,81,nobody-we-know\n"
    unknown = take(text)
    assert unknown.exit_code == 1
    assert "line 3: no person 'nobody-we-know' in this store; `quietcuff person" in unknown.stderr
    assert stored(quietcuff) == []
    assert take(text.replace("nobody-we-know", "MIRA"), "mira").exit_code == 0
    assert [one["person"] for one in stored(quietcuff)] == ["mira", "mira"]
    assert take(text, "eve").exit_code == 1
    assert take(text, "--skip-bad").exit_code == 3


def test_a_spreadsheets_own_file_with_mark_and_empty_lines(take: Run, quietcuff: Run) -> None:
    text = "\ufeffTaken at;Systolic;Diastolic;;\r\n2026-03-04 07:30;128;81;;\r\n;;;;\r\n\r\n"
    assert take(text).exit_code == 0
    assert len(stored(quietcuff)) == 1


def test_no_file_at_all(quietcuff: Run, tmp_path: Path) -> None:
    result = quietcuff("--store", str(tmp_path / "x.db"), "import", str(tmp_path / "none.csv"))
    assert result.exit_code == 1
    assert "none.csv: cannot be read (no such file or directory)" in result.stderr


def test_a_log_taken_in_again_by_another_zones_clock_is_told(
    take: Run, quietcuff: Run, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A laptop without a zone of its own, after a journey: every line was there twice, hours apart."""
    assert take(GOOD).exit_code == 0
    before = stored(quietcuff)
    grown = GOOD + "2026-03-06 07:30,126,80,,mira,,\n"
    monkeypatch.setenv("QUIETCUFF_STATION_ZONE", "Asia/Tokyo")
    refused = take(grown)
    assert refused.exit_code == 1
    assert "2 lines stand here already by another clock, the first as 2026-03-04 07:30+00:00" in refused.stderr
    assert "zone under [station]" in refused.stderr
    assert "`quietcuff strike`" in refused.stderr
    assert stored(quietcuff) == before
    skipped = take(grown, "--skip-bad")
    assert (skipped.exit_code, "1 reading taken" in skipped.stderr, "2 left out" in skipped.stderr) == (3, True, True)
    monkeypatch.setenv("QUIETCUFF_STATION_ZONE", "Europe/Lisbon")
    assert "0 readings taken" in take(GOOD).stderr
    elsewhere = "taken_at,systolic,diastolic\n2026-03-04 07:30+09:00,128,81\n"
    assert "1 reading taken" in take(elsewhere).stderr, "it says itself which clock is meant"


def test_a_log_read_by_the_wrong_clock_is_taken_in_by_the_right_one_once_it_is_struck_out(
    take: Run, quietcuff: Run, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Seen: it went on being refused."""
    monkeypatch.setenv("QUIETCUFF_STATION_ZONE", "Asia/Tokyo")
    assert take(GOOD).exit_code == 0
    wrong = [str(one["reading_id"]) for one in stored(quietcuff)]
    monkeypatch.setenv("QUIETCUFF_STATION_ZONE", "Europe/Lisbon")
    assert take(GOOD).exit_code == 1
    assert quietcuff("strike", *wrong).exit_code == 0
    assert "2 readings taken" in take(GOOD).stderr
    assert quietcuff("strike", wrong[0], "--undo").exit_code == 0
    assert "0 readings taken" in take(GOOD).stderr, "they stand here as the log says, whatever else does"


def test_a_line_that_says_its_clock_or_is_anothers_is_no_line_of_another_clock(take: Run, quietcuff: Run) -> None:
    """Seen: no form of a line that was right could be taken in once somebody on a journey had one of the same wall
    time and values."""
    there = "taken_at,systolic,diastolic,person\n2026-03-04 07:30+09:00,128,81,mira\n"
    assert quietcuff("person", "add", "jon").exit_code == 0
    assert take(there).exit_code == 0
    here = there.replace("+09:00", "")
    assert "1 line stands here already by another clock" in take(here).stderr
    assert "1 reading taken" in take(here.replace("mira", "jon")).stderr
    assert "1 reading taken" in take(here.replace("07:30", "07:30+00:00")).stderr
    assert "0 readings taken" in take(here.replace("07:30", "07:30Z")).stderr

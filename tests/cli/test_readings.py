"""`readings`, `export`, `rebuild` and `cuff` over the store of an invented household."""

import csv
import io
import json
import os
import stat
import subprocess
import sys
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import pytest
import typer
from typer.testing import Result

from collector.cli.common.root_group import root_app
from collector.store.opening import open_store
from collector.store.readings.times import Time, record_retimed

Run = Callable[..., Result]


@pytest.fixture
def at_home(quietcuff: Run, household: Path) -> Run:
    def run(*args: str, input: str | None = None) -> Result:
        return quietcuff("--store", str(household), *args, input=input)

    return run


def objects(result: Result) -> list[dict[str, object]]:
    assert result.exit_code == 0, result.stderr
    return [json.loads(line) for line in result.stdout.splitlines()]


def test_the_table_ends_with_the_newest_and_says_so(at_home: Run) -> None:
    result = at_home("readings")
    lines = result.stdout.splitlines()
    assert result.exit_code == 0
    assert len(lines) == 21
    *shown, reading_id = lines[-1].split()
    assert " ".join(shown) == "2031-03-15 21:09+00:00 117/76 mmHg 58/min (slot 2) C0:FF:EE:00:00:02"
    assert at_home("readings", "--about", reading_id).exit_code == 0
    assert "the newest 20; --all shows all" in result.stderr
    assert len(at_home("readings", "--all").stdout.splitlines()) == 26


def test_a_repeat_is_one_reading_with_two_sightings(at_home: Run) -> None:
    newest = objects(at_home("readings", "--cuff", "kitchen", "--last", "1", "--json"))[0]
    assert (newest["systolic"], newest["sightings"]) == (143, 2)
    assert newest["taken_at"] == "2031-03-15T21:00:00+00:00"
    assert newest["taken_basis"] == "cuff clock corrected"


@pytest.mark.parametrize(
    ("choice", "count"),
    [
        ([], 25),
        (["--last", "3"], 3),
        (["--cuff", "KITCHEN"], 24),
        (["--cuff", "c0:ff:ee:00:00:02"], 1),
        (["--since", "2031-03-14"], 5),
        (["--until", "2031-03-04"], 2),
        (["--until", "2031-03-04T21:00"], 1),
        (["--since", "2031-03-04T21:00Z", "--until", "2031-03-05T07:00:00.001+00:00"], 2),
        (["--since", "2031-03-05", "--until", "2031-03-06"], 4),
        (["--unassigned"], 25),
    ],
)
def test_a_choice(at_home: Run, choice: list[str], count: int) -> None:
    assert len(objects(at_home("readings", "--json", *choice))) == count
    if "--last" not in choice:
        assert len(objects(at_home("export", "--to", "ndjson", *choice))) == count


def test_a_date_is_the_day_of_the_stations_clock(quietcuff: Run, household: Path, tmp_path: Path) -> None:
    (tmp_path / "c.toml").write_text('[station]\nzone = "Pacific/Kiritimati"\n')  # 14 hours ahead
    found = objects(
        quietcuff(
            "--store",
            str(household),
            "--config",
            str(tmp_path / "c.toml"),
            "readings",
            "--json",
            "--until",
            "2031-03-05",
        )
    )
    assert [one["taken_at"] for one in found] == [
        "2031-03-04T07:00:00+00:00",
        "2031-03-04T21:00:00+00:00",
        "2031-03-05T07:00:00+00:00",
    ]


@pytest.mark.parametrize("command", [["readings", "--json"], ["export", "--to", "csv"]])
def test_the_person_is_an_argument_and_the_old_option_says_so(at_home: Run, command: list[str]) -> None:
    at_home("person", "add", "mira")
    at_home("person", "give", "mira", "--cuff", "kitchen")
    now, before = at_home(*command, "mira"), at_home(*command, "--person", "mira")
    assert (before.exit_code, before.stdout) == (0, now.stdout)
    assert before.stderr == now.stderr + "--person mira is just mira now; the old option goes on working\n"
    assert "mira" in now.stdout
    two = at_home(*command, "mira", "--person", "tomas")
    assert (two.exit_code, two.stdout) == (2, "")
    assert "mira and --person tomas are two people" in two.stderr


def test_no_command_about_one_person_offers_them_as_an_option() -> None:
    """`setup` alone takes several people, each by an option of that name."""

    def offered(command: Any, path: str = "") -> Iterator[str]:
        around = typer.Context(command)
        for name in command.list_commands(around) if hasattr(command, "list_commands") else ():
            yield from offered(command.get_command(around, name), f"{path} {name}")
        for one in command.params:
            if "--person" in one.opts and not one.hidden:
                yield path.strip()

    assert list(offered(typer.main.get_command(root_app()))) == ["setup"]


@pytest.mark.parametrize(
    ("args", "code", "words"),
    [
        (["--since", "yesterday"], 2, "--since 'yesterday' is not a time; give a date (2031-03-04) or ISO 8601"),
        (["--since", "2031-03-05", "--until", "2031-03-04"], 2, "is not before"),
        (["--until", "9999-12-31"], 2, "out of the calendar"),
        (["--last", "0"], 2, "--last"),
        (["mira", "--unassigned"], 2, "never unassigned"),
        (["nobody-we-know"], 1, "no person 'nobody-we-know' in this store"),
        (["--cuff", "attic"], 1, "no cuff 'attic' in this store"),
    ],
)
def test_a_wrong_choice_is_one_line(at_home: Run, args: list[str], code: int, words: str) -> None:
    for command in (["readings"], ["export", "--to", "csv"]):
        if command[0] == "export" and "--last" in args:
            continue
        result = at_home(*command, *args)
        assert (result.exit_code, result.stdout) == (code, "")
        assert words in result.stderr
        assert result.stderr.count("\n") == 1


def test_a_very_high_reading_is_marked_and_brings_the_calm_words(at_home: Run, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("QUIETCUFF_STATION_EMERGENCY_NUMBER", "112")
    result = at_home("readings", "--until", "2031-03-06")
    assert [line for line in result.stdout.splitlines() if "VERY HIGH" in line] == [
        "2031-03-06 21:00+00:00  191/80  mmHg  65/min  (slot 1)  kitchen  f571a4  VERY HIGH; irregular pulse"
    ]
    assert "112" in result.stderr
    assert "measure again" in result.stderr
    assert "Change no medicine on your own" in result.stderr
    assert at_home("readings", "--until", "2031-03-05").stderr == ""


def test_nothing_there_is_told(quietcuff: Run, at_home: Run, tmp_path: Path) -> None:
    result = at_home("readings", "--since", "2040-01-01")
    assert (result.exit_code, result.stdout) == (0, "")
    assert "none of the 25 readings" in result.stderr
    missing = quietcuff("readings", "--store", str(tmp_path / "none.db"))
    assert missing.exit_code == 1
    assert "there is no store here; `quietcuff listen` makes one" in missing.stderr
    assert not (tmp_path / "none.db").exists()
    (tmp_path / "text.db").write_text("not a store at all, but long enough to look at" * 10)
    foreign = quietcuff("readings", "--store", str(tmp_path / "text.db"))
    assert foreign.exit_code == 1
    assert "not a quietcuff store" in foreign.stderr


def test_csv_to_a_file_of_ones_own(at_home: Run, tmp_path: Path) -> None:
    path = tmp_path / "out.csv"
    result = at_home("export", "--to", "csv", "-o", str(path))
    assert (result.exit_code, result.stdout) == (0, "")
    assert result.stderr == f"25 readings written to {path}\n"
    assert stat.S_IMODE(path.stat().st_mode) == 0o600
    rows = list(csv.DictReader(io.StringIO(path.read_text("utf-8"))))
    assert len(rows) == 25
    assert [row["systolic"] for row in rows[:3]] == ["120", "121", "122"]
    before = path.read_bytes()
    assert at_home("export", "--to", "csv", "-o", str(path), "--cuff", "attic").exit_code == 1
    assert path.read_bytes() == before
    assert not list(tmp_path.glob("*.part"))
    assert at_home("export", "--to", "csv", "-o", str(tmp_path / "no" / "x.csv")).exit_code == 1


def test_an_unknown_format_names_the_known_ones(at_home: Run) -> None:
    result = at_home("export", "--to", "xml")
    assert result.exit_code == 2
    assert "csv" in result.stderr
    assert "ndjson" in result.stderr


def test_rebuild_gives_the_same_readings(at_home: Run) -> None:
    before = at_home("export", "--to", "ndjson").stdout
    result = at_home("rebuild")
    assert result.exit_code == 0
    assert result.stderr == "25 readings from 27 payloads; 1 came again, 1 could not be decoded\n"
    assert at_home("export", "--to", "ndjson").stdout == before


def test_cuffs_are_listed_named_forgotten_and_added(at_home: Run) -> None:
    lines = at_home("cuff", "list").stdout.splitlines()
    assert lines[0].split() == ["name", "address", "readings", "last", "visit", "remarks"]
    assert [line.split()[:3] for line in lines[1:]] == [
        ["kitchen", "C0:FF:EE:00:00:01", "24"],
        ["-", "C0:FF:EE:00:00:02", "1"],
    ]
    assert at_home("cuff", "name", "C0:FF:EE:00:00:02", "bedroom").exit_code == 0
    assert at_home("cuff", "forget", "kitchen").exit_code == 0
    assert [one["name"] for one in objects(at_home("cuff", "list", "--json"))] == ["bedroom"]
    assert [one["name"] for one in objects(at_home("cuff", "list", "--json", "--forgotten"))] == ["bedroom", "kitchen"]
    assert len(objects(at_home("readings", "--json"))) == 25  # forgetting a cuff loses no reading
    assert at_home("cuff", "add", "c0:ff:ee:00:00:01").exit_code == 0
    assert len(at_home("cuff", "list").stdout.splitlines()) == 3
    window = at_home("cuff", "add", "--for", "10")
    assert (window.exit_code, window.stderr) == (0, "new cuffs are taken in for 10 minutes\n")


@pytest.mark.parametrize(
    ("args", "code", "words"),
    [
        (["name", "attic", "x"], 1, "no cuff 'attic'"),
        (["name", "kitchen", "a\tb"], 2, "printable"),
        (["name", "C0:FF:EE:00:00:02", "Kitchen"], 1, "is the name of C0:FF:EE:00:00:01 already"),
        (["name", "kitchen", "AA:BB:CC:DD:EE:FF"], 2, "looks like an address"),
        (["forget", "attic"], 1, "no cuff 'attic'"),
        (["add", " "], 2, "is neither an address such as C0:FF:EE:00:00:01 nor the name of a cuff"),
        (["add", "C0:FF:EE"], 2, "is neither an address such as C0:FF:EE:00:00:01 nor the name of a cuff"),
        (["sell"], 2, "no such command 'sell'"),
    ],
)
def test_wrong_words_about_cuffs(at_home: Run, args: list[str], code: int, words: str) -> None:
    result = at_home("cuff", *args)
    assert result.exit_code == code
    assert words in result.stderr
    assert result.stderr.count("\n") == 1


def test_what_a_cuff_calls_itself_cannot_steer_the_terminal(at_home: Run, household: Path) -> None:
    from collector.store.opening import open_store

    with open_store(household) as store, store.transaction():
        store.query("UPDATE cuff SET advertised = ?", ("\x1b[2Jcuff\u202e\n",))
    for args in (["cuff", "list"], ["cuff", "list", "--json"]):
        assert all(char.isprintable() or char == "\n" for char in at_home(*args).stdout)


def test_readings_loads_only_what_it_uses(household: Path) -> None:
    code = (
        "import sys, pathlib\nfrom collector.cli.main import run\nfrom collector.service.config import from_file\n"
        "from_file.SYSTEM_FILE = pathlib.Path('/there/is/none')\n"  # whatever this machine has
        "try: run()\nexcept SystemExit: pass\n"
        "print('loaded', *sorted({name.split('.')[0] for name in sys.modules}))"
    )
    args = ["--store", str(household), "readings", "--last", "20"]
    done = subprocess.run([sys.executable, "-c", code, *args], capture_output=True, text=True, check=True)
    *table, last = done.stdout.splitlines()
    assert len(table) == 21
    loaded = set(last.split())
    assert {"loaded", "collector", "sqlite3"} <= loaded
    assert (
        loaded
        & {"bleak", "bumble", "apscheduler", "dbus_fast", "sqlite_utils", "construct", "rich", "asyncio", "numpy"}
        == set()
    )


def test_a_reader_that_takes_a_few_lines_is_no_error(household: Path) -> None:
    program = f"{sys.executable} -c 'from collector.cli.main import run; run()'"
    run = f"{program} --store {household} readings --all"
    done = subprocess.run(
        ["bash", "-c", f"{run} | head -n 1"],
        capture_output=True,
        text=True,
        check=True,
        env={**os.environ, "PYTHONUNBUFFERED": "1"},
    )
    assert done.stdout.startswith("taken")
    assert "Traceback" not in done.stderr
    assert "Broken" not in done.stderr


def test_one_reading_tells_how_it_came_and_whose_it_was_made(quietcuff: Run, household: Path) -> None:
    store = ["--store", str(household)]
    last = json.loads(quietcuff(*store, "readings", "--cuff", "kitchen", "--json", "--last", "1").stdout)["reading_id"]
    for args in (["person", "add", "mira"], ["person", "claim", "mira", last], ["person", "release", last]):
        assert quietcuff(*store, *args).exit_code == 0
    told = quietcuff(*store, "readings", "--about", last[:8]).stdout
    first, *rest = told.splitlines()
    assert first.startswith(last)
    assert sum(line.startswith("  came 2031-03-15") for line in rest) == 2
    assert [line.split()[1] for line in rest if line.startswith("  reading")] == ["claimed", "released"]
    told = json.loads(quietcuff(*store, "readings", "--about", last, "--json").stdout)
    assert [one["what"] for one in told["owners"]] == ["reading claimed", "reading released"]
    assert len(told["came"]) == 2
    assert told["times"] == []
    with open_store(household) as opened:
        before, after = (
            Time(1_930_000_000_000_000 + us, basis, None, ())
            for us, basis in ((0, "cuff clock"), (60, "cuff clock corrected"))
        )
        record_retimed(opened, last, 1_940_000_000_000_000, before, after)
    assert "(cuff clock) to" in quietcuff(*store, "readings", "--about", last).stdout
    assert quietcuff(*store, "readings", "--about", "ffff").exit_code == 1

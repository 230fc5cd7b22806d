"""`quietcuff person`: slots given and taken, readings claimed, and everything of it written down."""

import json
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from datetime import UTC, datetime
from functools import partial
from pathlib import Path

import pytest
from typer.testing import Result

from collector.intake import interpret
from collector.store import journal
from collector.store.database import Store
from collector.store.errors import StoreError
from collector.store.journal import cuffs
from collector.store.opening import open_store
from collector.store.people import loans, slot_spans
from collector.store.people.loan_states import State
from parsers.measurement import build_measurement, measurement
from parsers.stamps import DateTime

Run = Callable[..., Result]


@pytest.fixture
def at_home(quietcuff: Run, household: Path) -> Run:
    def run(*args: str) -> Result:
        return quietcuff("--store", str(household), *args)

    for name in ("mira", "tomas"):
        assert run("person", "add", name).exit_code == 0
    return run


def count(at_home: Run, *choice: str) -> int:
    return len(at_home("readings", "--json", *choice).stdout.splitlines())


def test_a_slot_given_brings_its_readings_past_and_present(at_home: Run) -> None:
    result = at_home("person", "give", "mira", "--cuff", "kitchen", "--slot", "1")
    assert (result.exit_code, result.stderr) == (0, "mira has 24 readings now\n")
    assert count(at_home, "MIRA") == 24
    assert count(at_home, "--unassigned") == 1
    assert " mira " in at_home("readings", "--last", "2").stdout
    listed = at_home("person", "list")
    assert [line.split()[:2] for line in listed.stdout.splitlines()] == [
        ["person", "readings"],
        ["mira", "24"],
        ["tomas", "0"],
    ]
    assert "kitchen slot 1" in listed.stdout
    assert "1 reading is nobody's yet" in listed.stderr


def test_a_slot_for_a_time_ends_and_is_taken_back(at_home: Run) -> None:
    give = ["person", "give", "tomas", "--cuff", "kitchen", "--slot", "1"]
    at_home(*give, "--since", "2031-03-05", "--until", "2031-03-06")
    assert count(at_home, "tomas") == 4
    taken = at_home("person", "give", "mira", "--cuff", "kitchen", "--slot", "1")
    assert taken.exit_code == 1
    assert "is tomas's" in taken.stderr
    at_home("person", "end", "tomas", "--cuff", "kitchen", "--slot", "1", "--at", "2031-03-06")
    assert count(at_home, "tomas") == 2
    at_home("person", "take-back", "tomas", "--cuff", "kitchen", "--slot", "1")
    assert count(at_home, "tomas") == 0
    none = at_home("person", "end", "tomas", "--cuff", "kitchen", "--slot", "1")
    assert none.exit_code == 2
    assert "slot 1 of kitchen is not tomas's" in none.stderr


def test_readings_are_claimed_and_released(at_home: Run) -> None:
    at_home("person", "give", "mira", "--cuff", "kitchen")
    newest = json.loads(at_home("readings", "--json", "--last", "1").stdout)["reading_id"]
    assert at_home("person", "claim", "tomas", newest[:10]).stderr == "tomas has 1 reading now\n"
    assert at_home("person", "release", newest).stderr == "1 reading made nobody's\n"
    assert count(at_home, "--unassigned") == 1
    at_home("person", "release", newest, "--by-slot")
    assert count(at_home, "tomas") == 0
    missing = at_home("person", "claim", "tomas", "ffffffffffffffff")
    assert missing.exit_code == 1
    assert "no reading has an id that begins" in missing.stderr


def test_readings_are_claimed_and_released_by_time(at_home: Run, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("QUIETCUFF_STATION_ZONE", "Europe/Lisbon")
    newest = json.loads(at_home("readings", "--json", "--last", "2").stdout.splitlines()[0])
    wall = newest["taken_at"][:16]
    claimed = at_home("person", "claim", "tomas", wall, newest["reading_id"])  # the same one twice is one
    assert claimed.stderr == "tomas has 1 reading now\n"
    assert at_home("person", "release", wall).stderr == "1 reading made nobody's\n"
    missing = at_home("person", "claim", "tomas", wall, "2031-01-01T03:00")
    assert missing.exit_code == 2
    assert "no reading was taken at 2031-01-01T03:00" in missing.stderr
    assert count(at_home, "tomas") == 0  # all or none


def test_every_change_is_written_down(at_home: Run) -> None:
    at_home("person", "give", "mira", "--cuff", "kitchen", "--slot", "none")
    at_home("person", "rename", "mira", "m1")
    changes = [
        change
        for line in at_home("person", "history", "--json").stdout.splitlines()
        if (change := json.loads(line))["person"] == "m1"
    ]
    assert [(change["what"], change["person"]) for change in changes] == [
        ("person renamed", "m1"),
        ("slot given", "m1"),
        ("person added", "m1"),
    ]
    assert changes[0]["detail"] == {"from": "mira", "to": "m1"}
    assert "person renamed" in at_home("person", "history").stdout
    assert "no person 'Mira' in this store any more: m1 was called so" in at_home("average", "Mira").stderr


def test_two_who_are_one_are_united_after_a_look(at_home: Run) -> None:
    at_home("person", "give", "mira", "--cuff", "kitchen", "--slot", "1")
    at_home("person", "give", "tomas", "--cuff", "kitchen", "--slot", "any")
    at_home("note", "add", "tomas", "2031-03-05", "a walk")
    asked = at_home("person", "unite", "mira", "tomas")
    assert asked.exit_code == 2
    assert asked.stderr.splitlines()[0] == "tomas → mira: 0 readings, 1 slot, 1 note, 0 sittings, 0 loans"
    assert "--yes" in asked.stderr
    assert at_home("person", "list").stdout.count("tomas") == 1
    done = at_home("person", "unite", "mira", "tomas", "--yes")
    assert done.exit_code == 0
    assert "tomas is part of mira now" in done.stderr
    listed = at_home("person", "list").stdout
    assert "tomas" not in listed
    assert "any slot" in listed
    assert "a walk" in at_home("note", "list", "mira").stdout
    assert "people united" in at_home("person", "history").stdout
    assert at_home("person", "unite", "mira", "tomas", "--yes").exit_code == 1


@pytest.mark.parametrize(
    ("args", "code", "words"),
    [
        (["add", "mira"], 1, "there is a person 'mira' already"),
        (["add", " "], 1, "printable letters"),
        (["add", "x" * 201], 1, "at most 200 printable letters"),
        (["rename", "eve", "x"], 1, "no person 'eve'"),
        (["give", "mira", "--cuff", "attic"], 1, "no cuff 'attic'"),
        (["give", "mira", "--cuff", "kitchen", "--slot", "256"], 2, "give 0 to 255, none or any"),
        (["give", "mira", "--cuff", "kitchen", "--since", "soon"], 2, "--since 'soon' is not a time"),
        (["give", "mira"], 2, "--cuff"),
    ],
)
def test_what_cannot_be_is_one_line(at_home: Run, args: list[str], code: int, words: str) -> None:
    result = at_home("person", *args)
    assert result.exit_code == code
    assert words in result.stderr
    assert result.stderr.count("\n") == 1


def test_a_cuff_with_two_slots_in_use_wants_one_named(quietcuff: Run, household: Path) -> None:
    at = ("--store", str(household))
    with open_store(household) as store:
        value = build_measurement(measurement(151, 91, 111, stamp=DateTime.of(datetime(2031, 3, 15, 8)), user_id=2))
        added = journal.append(
            store,
            cuff=cuffs.need(store, "kitchen"),
            characteristic=0x2A35,
            value=value,
            arrived_at=datetime(2031, 3, 15, 8, tzinfo=UTC),
            source="test",
        )
        interpret(store, added.payload)
    quietcuff(*at, "person", "add", "mira")
    refused = quietcuff(*at, "person", "give", "mira", "--cuff", "kitchen")
    assert refused.exit_code == 2
    assert "2 slots in use" in refused.stderr
    assert "151/91" in refused.stderr
    assert quietcuff(*at, "person", "give", "mira", "--cuff", "kitchen", "--slot", "2").exit_code == 0


def test_a_command_that_is_suggested_can_be_pasted(quietcuff: Callable[..., Result]) -> None:
    result = quietcuff("person", "add", "mira ann")
    assert "`quietcuff person give 'mira ann' --cuff CUFF --slot N`" in result.stderr


COMPOSED, APART = "Zo\u00eb Straße", "ZOE\u0308 STRASSE"


def test_a_name_is_one_name_however_its_letters_are_written(quietcuff: Run, tmp_path: Path) -> None:
    run = lambda *args, **more: quietcuff("--store", str(tmp_path / "s.db"), *args, **more)  # noqa: E731
    assert run("person", "add", APART).exit_code == 0
    again = run("person", "add", COMPOSED)
    assert (again.exit_code, "already" in again.stderr) == (1, True)
    assert run("person", "rename", COMPOSED, "Zoe\u0308 Straße").exit_code == 0
    log = f"taken_at,systolic,diastolic,person\n2025-03-04 07:30,128,81,{APART}\n"
    assert run("import", "-", input=log).exit_code == 0
    assert json.loads(run("readings", COMPOSED, "--json").stdout)["person"] == COMPOSED
    assert run("person", "add", "rui").exit_code == 0
    assert run("note", "add", "rui", "2025-03-04", f"with {APART} at lunch").exit_code == 0
    gone = run("person", "erase", COMPOSED, "--yes")
    assert (gone.exit_code, "the name still stands in note.text (1)" in gone.stderr) == (3, True)


def test_people_of_one_name_are_told_with_commands_that_can_be_pasted(quietcuff: Run, tmp_path: Path) -> None:
    stores = [str(tmp_path / f"{number}.db") for number in range(2)]
    for store, name in zip(stores, ("ZOË FELS", "Zoë Fels"), strict=True):
        assert quietcuff("--store", store, "person", "add", name).exit_code == 0
    told = quietcuff("--store", stores[0], "merge", stores[1]).stderr
    assert "`quietcuff person unite 'ZOË FELS' 'Zoë Fels'`" in told
    assert "two are called 'ZOË FELS'" in told
    asked = quietcuff("--store", stores[0], "readings", "zoë fels")
    assert (asked.exit_code, "2 people are called 'zoë fels'" in asked.stderr) == (1, True)


@pytest.mark.parametrize(("one", "other"), [("Straße", "STRASSE"), ("\ufb01ona", "Fiona"), ("\u212aim", "kim")])
def test_a_name_that_only_its_letters_tell_apart_is_one_name_both_ways(
    quietcuff: Run, tmp_path: Path, one: str, other: str
) -> None:
    """Of the second, in plain letters, nobody was found: two people, and one section of the configuration for both."""
    for first, second in ((one, other), (other, one)):
        run = partial(quietcuff, "--store", str(tmp_path / f"{first}.db"))
        assert run("person", "add", first).exit_code == 0
        assert "already" in run("person", "add", second).stderr
        assert run("note", "add", second, "2031-03-04", "tablet").exit_code == 0


def test_a_list_of_thousands_asks_for_their_slots_once(at_home: Run, monkeypatch: pytest.MonkeyPatch) -> None:
    asked = []
    every = slot_spans.every
    monkeypatch.setattr(slot_spans, "every", lambda store, **of: asked.append(of) or every(store, **of))
    assert at_home("person", "list").stdout.count("no slot") == 2
    assert asked == [{}]


def test_what_a_loan_gave_ends_with_the_loan_alone(quietcuff: Run, household: Path) -> None:
    run = lambda *args: quietcuff("--store", str(household), *args)  # noqa: E731
    at = datetime(2031, 4, 1, tzinfo=UTC)
    with open_store(household) as store:
        loans.set_state(store, cuffs.need(store, "kitchen"), State.AVAILABLE, at)
        loans.lend(store, "kitchen", "B-117", ("any",), at)
    before = run("person", "list").stdout
    for command in ("end", "take-back"):
        refused = run("person", command, "B-117", "--cuff", "kitchen")
        assert (refused.exit_code, refused.stderr.count("\n")) == (1, 1)
        assert "kitchen is lent to B-117: `quietcuff loan back kitchen` ends that" in refused.stderr
    assert run("person", "list").stdout == before


@pytest.mark.parametrize(
    "args", [("give", "mira", "--cuff", "kitchen", "--slot", "1"), ("claim", "mira", "2031-03-04T07:00+00:00")]
)
def test_nothing_is_said_before_it_is_on_disk(at_home: Run, monkeypatch: pytest.MonkeyPatch, args: list[str]) -> None:
    real, inside = Store.transaction, []

    @contextmanager
    def on_a_full_disk(store: Store) -> Iterator[None]:
        with real(store):
            inside.append(1)
            yield
            inside.pop()
            if not inside:
                raise StoreError("the disk is full")

    monkeypatch.setattr(Store, "transaction", on_a_full_disk)
    result = at_home("person", *args)
    assert (result.exit_code, result.stderr) == (1, "quietcuff: the disk is full\n")

"""What is dated by this machine's clock asks whether that can be believed; what says its own date does not."""

import json
from collections.abc import Callable
from datetime import UTC, datetime
from pathlib import Path

import pytest
from typer.testing import Result

from collector.store import journal, readings
from collector.store.journal.payloads import newest_arrival
from collector.store.opening import open_store
from collector.store.people import office_visits, slot_spans

Run = Callable[..., Result]


@pytest.fixture
def home(quietcuff: Run, household: Path, monkeypatch: pytest.MonkeyPatch) -> Run:
    """The kitchen cuff's slot is mira's; the machine has started in 1970."""
    monkeypatch.setenv("QUIETCUFF_STORE", str(household))
    assert quietcuff("person", "add", "mira").exit_code == 0
    assert quietcuff("person", "give", "mira", "--cuff", "kitchen", "--slot", "1").exit_code == 0
    monkeypatch.setattr("collector.service.machine_clock.now", lambda: datetime(1970, 1, 1, 0, 5, tzinfo=UTC))
    return quietcuff


@pytest.mark.parametrize(
    "command",
    [
        ("person", "end", "mira", "--cuff", "kitchen", "--slot", "1"),
        ("office", "add", "mira", "144/91"),
        ("loan", "mark", "kitchen", "lost"),
    ],
)
def test_nothing_is_dated_by_a_clock_that_cannot_be_right(home: Run, household: Path, command: tuple[str, ...]) -> None:
    result = home(*command)
    assert result.exit_code == 1
    assert "this machine's clock shows 1970-01-01 00:05 UTC" in result.stderr
    assert result.stderr.count("\n") == 1
    with open_store(household, read_only=True) as store:
        assert [span.until for span in slot_spans.every(store)] == [None]
        assert not list(office_visits.every(store, "mira"))
        assert newest_arrival(store)


def test_a_date_of_ones_own_needs_no_clock(home: Run) -> None:
    assert home("person", "end", "mira", "--cuff", "kitchen", "--slot", "1", "--at", "2031-03-06").exit_code == 0
    assert home("office", "add", "mira", "144/91", "--on", "2026-03-06").exit_code == 0
    assert home("note", "add", "mira", "2026-03-20", "new tablet").exit_code == 0


def test_a_log_is_not_blamed_for_the_clock(home: Run, tmp_path: Path) -> None:
    log = tmp_path / "log.csv"
    log.write_text("taken_at,systolic,diastolic\n2026-03-04 07:30,128,81\n2026-03-05 07:30,126,80\n")
    result = home("import", str(log), "mira", "--skip-bad")
    assert result.exit_code == 1
    assert "this machine's clock shows 1970-01-01 00:05 UTC" in result.stderr
    assert result.stderr.count("\n") == 1


def test_a_correction_is_not_blamed_for_the_clock(home: Run, household: Path) -> None:
    with open_store(household, read_only=True) as store:
        some = next(iter(readings.select(store))).reading_id
    result = home("correct", some, "--taken-at", "2026-03-04T07:30")
    assert result.exit_code == 1
    assert "this machine's clock shows 1970-01-01 00:05 UTC" in result.stderr
    assert result.stderr.count("\n") == 1


def test_what_came_at_another_station_says_nothing_of_this_clock(
    quietcuff: Run, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Seen: one store merged that told of 2099, and nothing could be lent or dated any more for seventy years."""
    monkeypatch.setattr("collector.service.machine_clock.synchronised", lambda: False)
    monkeypatch.setattr("collector.service.machine_clock.believable", lambda: True)
    here, there = tmp_path / "here.db", tmp_path / "there.db"
    with open_store(there) as store:
        journal.append(store, cuff="C0:FF:EE:00:00:09", characteristic=0x2A35, value=b"far ahead",
                       arrived_at=datetime(2099, 3, 4, tzinfo=UTC), source="virtual")  # fmt: skip
    assert quietcuff("--store", str(here), "person", "add", "mira").exit_code == 0
    assert quietcuff("--store", str(here), "merge", str(there)).exit_code == 0
    with open_store(here, read_only=True) as store:
        assert newest_arrival(store) is None
        assert newest_arrival(store, anywhere=True)
    done = quietcuff("--store", str(here), "office", "add", "mira", "144/91")
    assert done.exit_code == 0, done.stderr
    assert "arrived on" not in quietcuff("--store", str(here), "check").stdout


@pytest.fixture
def kept(quietcuff: Run, household: Path, monkeypatch: pytest.MonkeyPatch) -> Callable[[int], Run]:
    """Mira's household on a machine without a network, whose clock shows the year that is asked for."""
    monkeypatch.setenv("QUIETCUFF_STORE", str(household))
    monkeypatch.setattr("collector.service.machine_clock.synchronised", lambda: False)
    monkeypatch.setattr("collector.service.machine_clock.believable", lambda: True)

    def in_year(year: int) -> Run:
        monkeypatch.setattr("collector.service.machine_clock.now", lambda: datetime(year, 4, 1, tzinfo=UTC))
        return quietcuff

    assert in_year(2031)("person", "add", "mira").exit_code == 0
    return in_year


@pytest.mark.parametrize("command", [("import", "log.csv", "mira"), ("correct", "3f9a", "--systolic", "128")])
def test_what_people_enter_bears_no_clock_out_that_is_years_ahead(
    kept: Callable[[int], Run], household: Path, tmp_path: Path, command: tuple[str, ...]
) -> None:
    """Seen: a line taken in by a clock of 2041 had it believed, so that what came then was dated ten years ahead, for
    sure; and nothing could be dated once it was right."""
    log = tmp_path / "log.csv"
    log.write_text("taken_at,systolic,diastolic\n2031-03-03 07:30,128,81\n")
    with open_store(household, read_only=True) as store:
        some = next(iter(readings.select(store))).reading_id
    words = [{"log.csv": str(log), "3f9a": some}.get(word, word) for word in command]
    assert kept(2041)(*words).exit_code == 0
    refused = kept(2041)("office", "add", "mira", "144/91")
    assert "years after the newest that arrived (2031-03" in refused.stderr
    done = kept(2031)("office", "add", "mira", "144/91")
    assert done.exit_code == 0, done.stderr
    with open_store(household, read_only=True) as store:
        assert not any("station clock unsure" in one.marks for one in readings.select(store))


def test_an_export_of_a_station_whose_clock_ran_ahead_says_nothing_of_this_clock(
    kept: Callable[[int], Run], tmp_path: Path
) -> None:
    """Seen: nothing could be dated any more where a line was brought that had arrived elsewhere in 2099."""
    line = tmp_path / "export.ndjson"
    exported = kept(2031)("export", "--to", "ndjson").stdout.splitlines()[0]
    told = json.loads(exported) | {"reading_id": "0123456789abcdef", "received_at": "2099-03-04T00:00:00+00:00"}
    line.write_text(json.dumps(told))
    here = str(tmp_path / "here.db")
    assert kept(2031)("--store", here, "import", str(line)).exit_code == 0
    assert kept(2031)("--store", here, "person", "add", "mira").exit_code == 0
    done = kept(2031)("--store", here, "office", "add", "mira", "144/91")
    assert done.exit_code == 0, done.stderr

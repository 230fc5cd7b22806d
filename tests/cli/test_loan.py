"""`loan`: with invented borrower codes; a real terminal, and a practice cuff over the virtual radio."""

import asyncio
import json
from collections.abc import Callable
from contextlib import suppress
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import pytest
from air import room
from kept import store_sink
from pseudo import Terminal
from typer.testing import Result

from collector.intake import giving
from collector.radio.virtual import Behaviour, VirtualCuff
from collector.store import open_store, people, readings
from collector.store.errors import StoreError
from collector.store.journal import cuffs
from collector.store.people import loan_doubts, loans
from collector.store.people.loan_states import State

Run = Callable[..., Result]
CUFF = "F0:F1:F2:F3:F4:F5"  # the practice cuff's


@pytest.fixture
def station(tmp_path: Path) -> list[str]:
    """Options of a station whose store knows the practice cuff."""
    config, store = tmp_path / "c.toml", tmp_path / "quietcuff.db"
    config.write_text('[radio]\nkind = "virtual"\n[station]\nzone = "Europe/Lisbon"\n', "utf-8")
    one_visit(tmp_path)
    return ["--store", str(store), "--config", str(config)]


def ago(**span: float) -> datetime:
    return datetime.now(UTC) - timedelta(**span)


def one_visit(folder: Path) -> None:
    """As the service would: the practice cuff sends what it has just measured, into the store in `folder`."""

    async def visited() -> None:
        cuff = VirtualCuff("Practice", CUFF, Behaviour(lingers_s=0.4))  # the clock is read before the first quiet
        cuff.measure(128, 84, pulse=66, at=datetime.now())
        async with room(cuff, sink=sink) as air:
            await air.wake()
        assert not cuff.memory.records

    with store_sink(folder) as sink:
        asyncio.run(visited())


def test_into_the_stock_out_and_back(station: list[str], quietcuff: Run, tmp_path: Path) -> None:
    refused = quietcuff(*station, "loan", "out", CUFF, "--to", "B-117")
    assert refused.exit_code == 1
    assert "not in the lending stock" in refused.stderr
    assert quietcuff(*station, "cuff", "name", CUFF, "practice").exit_code == 0

    terminal = Terminal(*station, "loan", "back", "practice")
    terminal.until("this command does so meanwhile")
    for question in ("undamaged?", "and dry?", "read empty?", "batteries good?", "odd reading since?"):
        terminal.until(question)
        terminal.press("y")
    while terminal.until("read empty?", "practice is available").endswith("?"):  # it may send more meanwhile
        terminal.press("y")
    _, code = terminal.end()
    assert code == 0

    lent = quietcuff(*station, "loan", "out", "practice", "--to", "B-117")
    assert lent.exit_code == 0
    (row,) = [json.loads(line) for line in quietcuff(*station, "loan", "list", "--json").stdout.splitlines()]
    assert (row["name"], row["state"], row["borrower"], row["step"]) == ("practice", "on loan", "B-117", "out")

    with open_store(tmp_path / "quietcuff.db") as store:
        # Instead of waiting: a reading nearer to the loan's bounds than its own 2 s is set aside, as it should be.
        store.query("UPDATE loan SET out_at = out_at - 7200000000 WHERE person_id IS NULL")
        loans.set_lent_at(store, CUFF, ago(hours=1), ago())
        one_visit(tmp_path)
        loans.begin_return(store, CUFF, ago(seconds=-5))
    terminal = Terminal(*station, "loan", "back", "--all", "--folder", str(tmp_path / "out"))
    terminal.until("readings of the borrower")
    terminal.until("undamaged?")
    terminal.press("n")
    rest, code = terminal.end()
    assert "marked 'quarantine'" in rest
    assert code == 3
    assert "quarantine" in quietcuff(*station, "loan", "list").stdout
    (folder,) = (tmp_path / "out").glob("B-117-*")
    assert {"readings.csv", "readings.ndjson", "report.html", "report.pdf"} <= {path.name for path in folder.iterdir()}
    assert "B-117" in (folder / "report.html").read_text("utf-8")
    assert (folder / "report.pdf").read_bytes().startswith(b"%PDF")


def test_it_needs_a_terminal(station: list[str], quietcuff: Run) -> None:
    result = quietcuff(*station, "loan", "back", CUFF)
    assert result.exit_code == 2
    assert "needs a terminal" in result.stderr


def test_marking(station: list[str], quietcuff: Run) -> None:
    assert "not in the lending stock" in quietcuff(*station, "loan", "mark", CUFF, "retired").stderr
    assert quietcuff(*station, "loan", "mark", CUFF, "available").exit_code == 2


def test_an_empty_stock_says_how_to_begin(station: list[str], quietcuff: Run) -> None:
    result = quietcuff(*station, "loan", "list")
    assert result.stdout == ""
    assert "loan back CUFF" in result.stderr


def test_two_desks_that_lend_at_once_lend_a_cuff_once(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    now, looked = ago(), loan_doubts.refuse_what_was_later
    with open_store(tmp_path / "s.db") as store, open_store(tmp_path / "s.db") as other:
        with store.transaction():
            cuffs.row_of(store, CUFF)
        loans.set_state(store, CUFF, State.AVAILABLE, now)
        other.wait_at_most(0.01)

        def meanwhile(*what: Any, **how: Any) -> None:
            monkeypatch.setattr(loan_doubts, "refuse_what_was_later", looked)
            with suppress(StoreError):
                loans.lend(other, CUFF, "B-2", (2,), now)
            looked(*what, **how)

        monkeypatch.setattr(loan_doubts, "refuse_what_was_later", meanwhile)
        loans.lend(store, CUFF, "B-1", (1,), now)
        assert store.query("SELECT slots, step FROM loan").fetchall() == [("[1]", "out")]


def test_a_code_under_which_something_is_kept_is_told(quietcuff: Run, station: list[str], tmp_path: Path) -> None:
    """A code that was given to two patients gives one report of both."""
    with open_store(tmp_path / "quietcuff.db") as store:
        loans.set_state(store, CUFF, State.AVAILABLE, ago(seconds=-60))
        people.add(store, "B-117", ago())
        giving.give(store, next(readings.select(store)).reading_id, "B-117", ago())
    assert "B-117 has 1 reading from before" in quietcuff(*station, "loan", "out", CUFF, "--to", "b-117").stderr


def test_a_restore_says_that_loans_are_the_backups(quietcuff: Run, station: list[str], tmp_path: Path) -> None:
    """Seen: of a cuff that was lent on after the backup the borrower before got what it measured, without a word."""
    cuff, back = "C0:FF:EE:00:00:0A", ago(days=5)
    with open_store(tmp_path / "quietcuff.db") as store:
        cuffs.remember(store, cuff, ago(days=10))
        loans.set_state(store, cuff, State.AVAILABLE, ago(days=10))
        loans.lend(store, cuff, "B-117", ("any",), ago(days=9))
    made = quietcuff(*station, "backup", "now").stdout.strip()
    with open_store(tmp_path / "quietcuff.db") as store:
        loans.make_available(store, loans.begin_return(store, cuff, back), back)
        loans.lend(store, cuff, "B-118", ("any",), ago(days=4))
    restored = quietcuff(*station, "backup", "restore", made)
    assert "on loan by the backup: 1 " in restored.stderr
    (kept,) = tmp_path.glob("*-before-restore-*.db")
    assert f"`quietcuff merge {kept}` brings back what was lent" in restored.stderr
    assert json.loads(quietcuff(*station, "loan", "list", "--json").stdout)["borrower"] == "B-117"
    assert quietcuff(*station, "merge", str(kept)).exit_code == 0
    assert json.loads(quietcuff(*station, "loan", "list", "--json").stdout)["borrower"] == "B-118"

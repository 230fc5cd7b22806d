"""`loan`: with invented borrower codes; a real terminal, and a practice cuff over the virtual radio."""

import json
import subprocess
import sys
import time
from collections.abc import Callable
from pathlib import Path

import pytest
from pseudo import Terminal
from typer.testing import Result

Run = Callable[..., Result]
CUFF = "F0:F1:F2:F3:F4:F5"  # the practice cuff's
SURE_S = 2.5  # a reading nearer to the loan's bounds than its own uncertainty (2 s) is set aside, as it should be


@pytest.fixture
def station(tmp_path: Path) -> list[str]:
    """Options of a station whose store knows the practice cuff, under the name practice."""
    config, store = tmp_path / "c.toml", tmp_path / "s.db"
    config.write_text('[radio]\nkind = "virtual"\n[station]\nzone = "Europe/Lisbon"\n', "utf-8")
    options = ["--store", str(store), "--config", str(config)]
    one_visit(options)
    return options


def one_visit(options: list[str]) -> None:
    """Listen until the practice cuff has sent its first measurement."""
    command = [sys.executable, "-m", "collector.cli.main", *options, "listen"]
    with subprocess.Popen(command, stderr=subprocess.PIPE, text=True) as listener:
        assert listener.stderr is not None
        while "visit ended" not in (line := listener.stderr.readline()):
            assert line
        listener.terminate()


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
    rest, code = terminal.end()
    assert "practice is available" in rest
    assert code == 0

    lent = quietcuff(*station, "loan", "out", "practice", "--to", "B-117")
    assert lent.exit_code == 0
    (row,) = [json.loads(line) for line in quietcuff(*station, "loan", "list", "--json").stdout.splitlines()]
    assert (row["name"], row["state"], row["borrower"], row["step"]) == ("practice", "on loan", "B-117", "out")

    time.sleep(SURE_S)
    one_visit(station)
    time.sleep(SURE_S)
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

"""`quietcuff setup` by options and at a terminal (a played one), in a home of its own."""

import os
import pty
import subprocess
import sys
from pathlib import Path

import pytest

from collector.cli import setup
from collector.service.checks import which_radio
from collector.service.checks.finding import attention, fine
from collector.service.config import load, parse
from collector.store import people
from collector.store.opening import open_store

PROGRAM = [sys.executable, "-m", "collector.cli.main"]
FLAGS = ["--zone", "Europe/Lisbon", "--person", "mira", "--person", "anna", "--emergency-number", "112"]


@pytest.fixture
def home(tmp_path: Path) -> dict[str, str]:
    """An environment in which the usual places are the test's."""
    own = {"HOME": str(tmp_path), "XDG_CONFIG_HOME": str(tmp_path), "QUIETCUFF_STORE": str(tmp_path / "q.db")}
    return {**os.environ, **own}


def names(folder: Path) -> list[str]:
    with open_store(folder / "q.db") as store:
        return sorted(person.name for person in people.every(store))


def test_by_options_it_writes_adds_and_checks(home: dict[str, str], tmp_path: Path) -> None:
    file = tmp_path / "quietcuff.toml"
    line = [*PROGRAM, "--config", str(file), "setup", *FLAGS, "--radio", "virtual", "--page", "no"]
    file.write_text("")
    done = subprocess.run(line, env=home, capture_output=True, text=True, stdin=subprocess.DEVNULL)
    assert done.returncode in (0, 3), done.stderr
    config = load(file)
    assert (config.station.zone, config.station.emergency_number) == ("Europe/Lisbon", "112")
    assert config.page.address == "127.0.0.1"
    assert names(tmp_path) == ["anna", "mira"]
    assert "configuration: " in done.stdout  # what `check` says comes last
    again = subprocess.run(line, env=home, capture_output=True, text=True, stdin=subprocess.DEVNULL)
    assert again.returncode in (0, 3), again.stderr
    assert "Traceback" not in again.stderr
    assert names(tmp_path) == ["anna", "mira"]


def test_a_wrong_zone_writes_nothing(home: dict[str, str], tmp_path: Path) -> None:
    file = tmp_path / "quietcuff.toml"
    file.write_text("[backup]\nkeep = 3\n")
    line = [*PROGRAM, "--config", str(file), "setup", "--zone", "Lisbon", "--person", "mira"]
    done = subprocess.run(line, env=home, capture_output=True, text=True, stdin=subprocess.DEVNULL)
    assert done.returncode == 1
    assert "nothing was written" in done.stderr
    assert "Traceback" not in done.stderr
    assert file.read_text() == "[backup]\nkeep = 3\n"
    assert not (tmp_path / "q.db").exists()


def at_a_terminal(home: dict[str, str], file: Path, answers: str, *options: str) -> bytes:
    """What setup says to somebody who answers so."""
    mine, theirs = pty.openpty()
    line = [*PROGRAM, "--config", str(file), "setup", *options]
    asked = subprocess.Popen(line, env=home, stdin=theirs, stdout=theirs, stderr=theirs)
    os.close(theirs)
    os.write(mine, answers.encode())
    said = b""
    while True:
        try:
            piece = os.read(mine, 4096)
        except OSError:  # the other end is gone
            break
        if not piece:
            break
        said += piece
    os.close(mine)
    assert asked.wait(60) in (0, 3), said.decode()
    return said


def test_at_a_terminal_it_asks(home: dict[str, str], tmp_path: Path) -> None:
    """Zone taken as offered, one person, a number, Bluetooth shared, the page by a name."""
    file = tmp_path / "quietcuff.toml"
    file.write_text('[station]\nzone = "Europe/Lisbon"\n')
    said = at_a_terminal(home, file, "mira, anna\n112\ny\ny\nstation.local\n", "--zone", "Asia/Tokyo")
    config = load(file)
    assert config.station.zone == "Asia/Tokyo"
    assert (config.page.address, config.page.name) == ("0.0.0.0", "station.local")
    assert b"quietcuff page invite" in said
    assert names(tmp_path) == ["anna", "mira"]


def test_the_exclusive_radio_is_chosen_only_after_its_adapter_passed_a_trial(
    home: dict[str, str], tmp_path: Path
) -> None:
    """This adapter is not there, so there is nothing that could pass: BlueZ stays, and why is said."""
    file = tmp_path / "quietcuff.toml"
    file.write_text('[radio]\nadapter = "hci77"\n')
    said = at_a_terminal(home, file, "112\nn\nn\n", "--zone", "Asia/Tokyo", "--person", "mira")
    assert load(file).radio.kind == "bluez"
    assert b"exclusive radio: " in said
    assert b"so records come over BlueZ" in said


@pytest.mark.parametrize(("passed", "kind"), [(True, "exclusive"), (False, "bluez")])
def test_what_the_trial_says_decides(
    passed: bool, kind: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    finding = fine("exclusive radio", "hci0 passed its trial") if passed else attention("exclusive radio", "no", "stay")
    asked: list[str | None] = []
    monkeypatch.setattr(
        which_radio, "advise", lambda name, tell: asked.append(name) or which_radio.Advice(passed, (finding,))
    )
    assert setup.fitting_radio(parse('[radio]\nadapter = "hci3"')) == kind
    assert asked == ["hci3"]
    assert finding.text in capsys.readouterr().err


def test_who_has_the_exclusive_radio_keeps_it_without_a_trial(monkeypatch: pytest.MonkeyPatch) -> None:
    """The service holds the adapter, so that no trial could have it."""
    monkeypatch.setattr(which_radio, "advise", None)
    assert setup.fitting_radio(parse('[radio]\nkind = "exclusive"')) == "exclusive"

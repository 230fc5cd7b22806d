"""`sit` on a real pseudo-terminal, with a store that a thread with a connection of its own feeds."""

import os
import signal
import termios
import threading
from collections.abc import Callable, Iterator
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest
from measured import IRREGULAR, MONDAY, append, make_store, week
from pseudo import Terminal
from typer.testing import Result

from collector.cli.common.asked_series import Asked
from collector.intake import interpret
from collector.numbers import words
from collector.numbers.medical_condition import MedicalCondition
from collector.numbers.protocols import PROTOCOLS
from collector.numbers.rules import Plan
from collector.service.guided.sitting import request_of
from collector.service.listener_lock import only_listener
from collector.share.text.preparation import READY
from collector.store import readings
from collector.store.opening import open_store
from collector.store.people import sittings

Run = Callable[..., Result]
QUICK = '[protocols.quick]\nbased_on = "esh-2023"\ngap_s = 0\n[station]\nemergency_number = "112"\n'


@pytest.fixture
def store(tmp_path: Path) -> Path:
    (tmp_path / "c.toml").write_text(QUICK)
    return make_store(tmp_path / "s.db", [*week(MONDAY, 130, 80, days=1)], {"mira": 1, "rui": 2})


@pytest.fixture
def listening(store: Path) -> Iterator[None]:
    with only_listener(store):
        yield


def feed(store: Path, systolic: int, diastolic: int, status: int = 0, slot: int = 1) -> None:
    """One reading, taken now, by a thread with a connection of its own, as a listener brings it."""
    now = datetime.now(UTC).replace(microsecond=0)

    def work() -> None:
        with open_store(store) as other:
            interpret(other, append(other, (now, systolic, diastolic, 64, status, slot), now + timedelta(seconds=1)))

    thread = threading.Thread(target=work)
    thread.start()
    thread.join()


def sit(store: Path, *more: str, columns: int = 80) -> Terminal:
    return Terminal(
        "--store",
        str(store),
        "--config",
        str(store.with_name("c.toml")),
        "sit",
        "mira",
        "--protocol",
        "quick",
        *more,
        columns=columns,
    )


@pytest.mark.usefixtures("listening")
def test_a_sitting_from_the_preparation_to_the_mean(store: Path) -> None:
    terminal = sit(store, "--rest", "0.05")
    assert "1. For 30 minutes: no smoking" in terminal.until("Have you done points 1 to 5?")
    terminal.press("y")
    terminal.until("Rest 0:0")
    terminal.until("Start the cuff now, for reading 1.")
    feed(store, 131, 83)
    terminal.until("Reading 1: 131/83 mmHg, pulse 64/min")
    terminal.until("Start the cuff now, for reading 2.")
    feed(store, 128, 80)
    terminal.until("Mean of this sitting: 129.5/81.5 mmHg, pulse 64/min, from 2 readings")
    rest, code = terminal.end()
    assert "Change no medicine on your own" in rest
    assert "112" in rest
    assert code == 0
    with open_store(store) as kept:
        (sitting,) = sittings.every(kept, "mira")
        assert sitting.prepared == (*READY, "rested 0.05 minutes")
        assert [readings.get(kept, one).systolic for one in sitting.reading_ids] == [131, 128]


@pytest.mark.usefixtures("listening")
def test_ctrl_c_keeps_what_was_measured_and_gives_the_terminal_back(store: Path) -> None:
    terminal = sit(store, "--rest", "0")
    terminal.until("Have you done points 1 to 5?")
    before = termios.tcgetattr(terminal.fd)
    terminal.press("y")
    terminal.until("Start the cuff now")
    feed(store, 131, 83)
    terminal.until("Reading 1: 131/83 mmHg")
    terminal.until("Start the cuff now")
    os.kill(terminal.pid, signal.SIGINT)
    terminal.until("You left before the end. 1 reading of this sitting is kept.")
    text, code = terminal.end()
    assert "Traceback" not in text
    assert code == 3
    assert not before[3] & termios.ICANON  # keys came one by one while it ran
    with open_store(store) as kept:
        assert len(sittings.every(kept, "mira")[0].reading_ids) == 1


@pytest.mark.usefixtures("listening")
def test_the_terminal_is_cooked_again_afterwards(store: Path) -> None:
    """The slave side stays open in this process, so its mode can be looked at after the program has ended."""
    terminal = sit(store, "--rest", "0")
    terminal.until("Have you done points 1 to 5?")
    held = os.open(os.readlink(f"/proc/{terminal.pid}/fd/0"), os.O_RDWR | os.O_NOCTTY)
    try:
        assert not termios.tcgetattr(held)[3] & termios.ICANON
        terminal.press("q")
        terminal.until("You left before the end. 0 readings of this sitting are kept.")
        os.waitpid(terminal.pid, 0)
        assert termios.tcgetattr(held)[3] & termios.ICANON
        assert termios.tcgetattr(held)[3] & termios.ECHO
    finally:
        os.close(held)
        os.close(terminal.fd)
    with open_store(store) as kept:
        assert sittings.every(kept, "mira") == []


@pytest.mark.usefixtures("listening")
def test_a_reading_of_nobody_is_asked_about_and_claimed(store: Path) -> None:
    terminal = sit(store, "--rest", "0")
    terminal.until("Have you done points 1 to 5?")
    terminal.press("y")
    terminal.until("Start the cuff now")
    feed(store, 140, 90, slot=7)
    terminal.until("Is it yours, taken just now? (y/n)")
    terminal.press("n")
    feed(store, 131, 83, slot=8)
    terminal.until("slot 8. It is nobody's yet.")
    terminal.press("y")
    terminal.until("Reading 1: 131/83 mmHg")
    terminal.press("q")
    text, code = terminal.end()
    assert "quietcuff person give mira --cuff kitchen --slot 8" in text
    assert code == 3
    with open_store(store) as kept:
        owners = {reading.slot: reading.person for reading in readings.select(kept)}
        assert (owners[7], owners[8]) == (None, "mira")


@pytest.mark.usefixtures("listening")
def test_very_high_and_irregular_in_a_narrow_window(store: Path) -> None:
    terminal = sit(store, "--rest", "0", columns=40)
    terminal.until("(y: yes, n: one by one)")
    terminal.press("y")
    terminal.until("Start the cuff now")
    feed(store, 185, 101, IRREGULAR)
    shown = terminal.until("Sit quietly 5:00")
    assert "This reading is very high." in shown
    assert words.signs("112") in shown
    terminal.press("\n")  # sooner
    terminal.until("Start the cuff now")
    feed(store, 182, 100)
    text, code = terminal.end()
    assert "Call your clinic today" in text
    assert code == 3
    assert terminal.widest < 40, terminal.output


def test_without_a_listener_it_says_how_to_start_one(store: Path) -> None:
    terminal = sit(store)
    text, code = terminal.end()
    assert code == 1
    assert "nothing collects readings into" in text
    assert "--radio virtual" in text


def test_in_a_pipe_it_is_refused_in_one_line(quietcuff: Run, store: Path) -> None:
    result = quietcuff("--store", str(store), "sit", "mira")
    assert (result.exit_code, result.stdout) == (1, "")
    assert result.stderr == (
        "quietcuff: sit needs a terminal, for keys and for counting down; run it in a window, not in a pipe\n"
    )


@pytest.mark.parametrize(("hour", "hinted"), [(7, False), (14, True), (23, False), (3, True)])
def test_a_sitting_at_other_hours_is_told_not_to_count(hour: int, hinted: bool) -> None:
    plan = Plan(conditions=frozenset({MedicalCondition.ATRIAL_FIBRILLATION}))
    asked = Asked("mira", PROTOCOLS["esh-2023"], plan, None, None)
    wall = datetime(2031, 3, 4, hour, 28, tzinfo=UTC)
    request = request_of(asked.person, asked.protocol, asked.plan, wall, 300, "112")
    assert bool(request.hint) is hinted
    assert (
        f"It is {hour:02d}:28. This rule counts readings from 04:00 to 12:00 and from 16:00 to 02:00." in request.hint
    ) is hinted
    assert request.wanted == 3

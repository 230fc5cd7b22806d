"""The frame: what every command line has in common, whichever command is asked for."""

import os
import re
import signal
import sqlite3
import subprocess
import sys
import types
from collections.abc import Callable
from importlib.metadata import version
from pathlib import Path
from typing import Any

import pytest
import typer
from typer.testing import Result

from collector.cli.common.command import ATTENTION, Failure, Usage, new_app, options_of, out, say
from collector.cli.common.commands import COMMANDS
from collector.cli.common.root_group import forward
from collector.store.errors import StoreError

QUIETCUFF = [sys.executable, "-c", "from collector.cli.main import run; run()"]


class OwnError(Exception):
    """Stands for an error class of one of our rooms."""


OwnError.__module__ = "collector.store.somewhere"


@pytest.fixture
def probe(monkeypatch: pytest.MonkeyPatch, quietcuff: Callable[..., Result]) -> Callable[..., Result]:
    """Runs `quietcuff probe …`, where probe does what the test says."""

    def run(act: Callable[[typer.Context], Any], *args: str, before: tuple[str, ...] = ()) -> Result:
        module = types.ModuleType("probe_command")
        module.app = new_app()  # type: ignore[attr-defined]

        @module.app.command()
        def probe(ctx: typer.Context, note: str = "") -> Any:
            """Probe."""
            return act(ctx)

        monkeypatch.setitem(sys.modules, "probe_command", module)
        monkeypatch.setitem(COMMANDS, "probe", ("probe_command", "Probe."))
        return quietcuff(*before, "probe", *args)

    return run


def raising(error: BaseException) -> Callable[[typer.Context], None]:
    def act(_: typer.Context) -> None:
        raise error

    return act


@pytest.mark.parametrize(
    ("error", "code", "line"),
    [
        (Failure("no reading is left of 3; give --last"), 1, "quietcuff: no reading is left of 3; give --last"),
        (Usage("--since is after --until"), 2, "quietcuff: --since is after --until"),
        (OwnError("the store is of a newer version"), 1, "quietcuff: the store is of a newer version"),
        (
            PermissionError(13, "Permission denied", "/var/lib/quietcuff/quietcuff.db"),
            1,
            "quietcuff: /var/lib/quietcuff/quietcuff.db: only the service's user may use its store; run this as that "
            "user: sudo -u quietcuff quietcuff …",
        ),
        (TimeoutError(), 1, "quietcuff: it took too long; try again when this machine is less busy"),
        (
            PermissionError(13, "Permission denied", "/x/y.db"),
            1,
            "quietcuff: permission denied (/x/y.db); check the path, its rights and the free space",
        ),
    ],
)
def test_a_failure_is_one_line_and_an_exit_code(
    probe: Callable[..., Result], error: Exception, code: int, line: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("collector.service.config.from_file.SYSTEM_STORE", Path("/var/lib/quietcuff/quietcuff.db"))
    result = probe(raising(error))
    assert (result.exit_code, result.stdout, result.stderr) == (code, "", line + "\n")


def test_the_unforeseen_is_one_line_and_details_are_kept_for_those_who_ask(
    probe: Callable[..., Result], monkeypatch: pytest.MonkeyPatch
) -> None:
    result = probe(raising(ZeroDivisionError("two\nlines")))
    assert result.exit_code == 1
    assert result.stderr.startswith("quietcuff: unforeseen ZeroDivisionError: two lines. ")
    assert "report it" in result.stderr
    assert result.stderr.count("\n") == 1
    monkeypatch.setenv("QUIETCUFF_DEBUG", "1")
    assert "Traceback" in probe(raising(ZeroDivisionError("x"))).stderr


def test_interrupt_leaves_quietly(probe: Callable[..., Result]) -> None:
    result = probe(raising(KeyboardInterrupt()))
    assert (result.exit_code, result.stdout, result.stderr) == (130, "", "")


def test_what_cannot_be_tidied_up_after_an_interrupt_is_no_trouble_of_the_store(probe: Callable[..., Result]) -> None:
    """Seen: Ctrl-C in the middle of a merge, and then 'another program holds the store'."""

    def act(_: typer.Context) -> None:
        try:
            raise KeyboardInterrupt
        finally:
            try:
                raise sqlite3.OperationalError("database table is locked")
            except sqlite3.OperationalError as error:
                raise StoreError("another program holds the store") from error

    result = probe(act)
    assert (result.exit_code, result.stderr) == (130, "")


def test_a_returned_number_is_the_exit_code(probe: Callable[..., Result]) -> None:
    assert probe(lambda _: ATTENTION).exit_code == 3
    assert probe(lambda _: None).exit_code == 0


def test_words_cannot_steer_the_terminal(probe: Callable[..., Result]) -> None:
    result = probe(lambda _: say("cuff \x1b[2J\x9b31m\u202eevil\nsecond"))
    assert (
        result.stderr == "cuff \N{REPLACEMENT CHARACTER}[2J\N{REPLACEMENT CHARACTER}31m"
        "\N{REPLACEMENT CHARACTER}evil\N{REPLACEMENT CHARACTER}second\n"
    )


@pytest.mark.parametrize("where", ["before", "after", "equals", "environment"])
def test_global_options_stand_before_or_after_the_command(
    probe: Callable[..., Result], monkeypatch: pytest.MonkeyPatch, where: str
) -> None:
    def act(ctx: typer.Context) -> None:
        out(str(options_of(ctx).store_path))

    if where == "before":
        result = probe(act, before=("--store", "/a/b.db"))
    elif where == "environment":
        monkeypatch.setenv("QUIETCUFF_STORE", "/a/b.db")
        result = probe(act)
    else:
        result = probe(act, *(["--store=/a/b.db"] if where == "equals" else ["--store", "/a/b.db"]))
    assert (result.exit_code, result.stdout) == (0, "/a/b.db\n")


def test_what_follows_two_dashes_stays_where_it_is() -> None:
    assert forward(["a", "--config=c", "--", "--store", "x"]) == ["--config=c", "a", "--", "--store", "x"]
    assert forward(["readings", "--store"]) == ["readings", "--store"]


@pytest.mark.parametrize(
    ("args", "line"),
    [
        (["reedings"], "quietcuff: there is no command 'reedings'; did you mean 'readings'?"),
        (["--stor", "x"], "quietcuff: no such option: --stor"),
        (["export", "--to", "xml"], "quietcuff: invalid value for '--to': 'xml' is not one of 'csv', "),
        (
            ["readings", "--last", "0"],
            "quietcuff: invalid value for '--last' / '-n': 0 is not in the range 1<=x<=1000000000",
        ),
        (["readings", "--last", "9" * 20], "quietcuff: invalid value for '--last' / '-n': 9"),
        (["person", "history", "--last", "9" * 20], "quietcuff: invalid value for '--last' / '-n': 9"),
        (["export", "--to", "fhir", "--batch", "9" * 20], "quietcuff: invalid value for '--batch': 9"),
        (["retention", "--days", "9" * 12], "quietcuff: invalid value for '--days': 9"),
    ],
)
def test_wrong_usage_is_one_line(quietcuff: Callable[..., Result], args: list[str], line: str) -> None:
    result = quietcuff(*args)
    assert result.exit_code == 2
    assert result.stderr.startswith(line)
    assert result.stderr.count("\n") == 1


def test_the_overview_lists_every_command_and_imports_none() -> None:
    code = (
        "import sys; from collector.cli.common.commands import COMMANDS; from collector.cli.main import run\n"
        "sys.argv = ['quietcuff', '--help']\ntry: run()\n"
        "except SystemExit: pass\n"
        "print([m for m, _ in COMMANDS.values() if m in sys.modules])"
    )
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    for name in COMMANDS:
        assert f"\n  {name}" in done.stdout
    assert done.stdout.splitlines()[-1] == "[]"


@pytest.mark.parametrize("name", COMMANDS)
def test_every_row_of_the_table_is_a_command_whose_help_teaches_by_example(
    quietcuff: Callable[..., Result], name: str
) -> None:
    result = quietcuff(name, "--help")
    assert result.exit_code == 0, result.stderr
    assert f"quietcuff {name}" in result.stdout.split("Usage:")[1].split("\n", 1)[1]  # below the usage line
    below = re.findall(r"^  ([a-z-]+)  ", result.stdout.partition("\nCommands:\n")[2], re.MULTILINE)
    for text in (result.stdout, *(quietcuff(name, one, "--help").stdout for one in below)):
        assert r"\b" not in text, "the mark that keeps lines apart is shown instead of heeded"


def test_version_in_a_real_process(quietcuff: Callable[..., Result]) -> None:
    for flag in ("--version", "-V"):
        done = subprocess.run([*QUIETCUFF, flag], capture_output=True, text=True, check=False)
        assert (done.returncode, done.stdout, done.stderr) == (0, f"quietcuff {version('quietcuff')}\n", "")
    assert quietcuff("--store", "x", "--version").stdout == f"quietcuff {version('quietcuff')}\n"


def test_interrupt_in_a_real_process() -> None:
    # A run in the background ignores SIGINT and hands that on; here it is meant.
    running = subprocess.Popen(
        ["env", "--default-signal=INT", *QUIETCUFF, "decode", "--as", "2a19"],
        stdin=subprocess.PIPE,
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
    )
    assert running.stdin is not None
    assert running.stdout is not None
    running.stdin.write("5f\n")
    running.stdin.flush()
    assert running.stdout.readline().startswith("battery level")  # it is up and waits for the next line
    running.send_signal(signal.SIGINT)
    _, words = running.communicate()
    assert (running.returncode, words) == (130, "")


@pytest.mark.parametrize("command", ["--help", "protocols"])
def test_a_reader_that_leaves_early_is_no_error(command: str) -> None:
    done = subprocess.run(
        ["bash", "-c", f"{' '.join(map(_quoted, QUIETCUFF))} {command} | true; echo ${{PIPESTATUS[0]}}"],
        capture_output=True,
        text=True,
        check=True,
        env={**os.environ, "PYTHONUNBUFFERED": "1"},
    )
    assert (done.stdout, done.stderr) == ("0\n", "")


@pytest.mark.parametrize(
    ("closed", "command", "code", "words"),
    [
        (">&-", "--version", 0, ""),
        (">&-", "--help", 0, ""),
        ("2>&-", "protocols nothing", 2, ""),
        ("<&-", "decode -", 0, "nothing to decode"),
        (">&-", "export --to csv --only-new", 2, "nowhere to write to"),
    ],
)
def test_a_stream_that_is_closed_is_one_line(closed: str, command: str, code: int, words: str) -> None:
    line = f"{' '.join(map(_quoted, QUIETCUFF))} {command} {closed}"
    done = subprocess.run(["bash", "-c", line], capture_output=True, text=True, check=False)
    assert (done.returncode, done.stderr.count("\n")) == (code, 1 if words else 0), done.stderr
    assert words in done.stderr


@pytest.mark.parametrize(
    "args", [["readings", "{}"], ["note", "add", "Mira", "2031-03-04", "{}"], ["readings", "--about", "{}"]]
)
def test_octets_that_are_no_text_are_one_line(
    quietcuff: Callable[..., Result], household: Path, args: list[str]
) -> None:
    quietcuff("--store", str(household), "person", "add", "Mira")
    done = quietcuff("--store", str(household), *(arg.format("\udcff") for arg in args))
    assert (done.exit_code, done.stderr.count("\n")) == (1, 1)
    assert "no UTF-8" in done.stderr


def _quoted(word: str) -> str:
    import shlex

    return shlex.quote(word)


def test_help_is_by_occasion_and_has_every_command_once(quietcuff: Callable[..., Result]) -> None:
    lines = quietcuff("-h").stdout.splitlines()
    for heading in ("Every day:", "Set up:", "Data in and out:", "Clinic:", "Upkeep:"):
        assert heading in lines
    assert "More:" not in lines  # a new command belongs to an occasion: see GROUPS
    for name in COMMANDS:
        assert sum(line.startswith(f"  {name} ") for line in lines) == 1, name


def test_an_option_by_its_old_name_works_and_says_the_new_one(
    quietcuff: Callable[..., Result], household: Path
) -> None:
    quietcuff("--store", str(household), "person", "add", "mira")
    old = quietcuff("--store", str(household), "average", "mira", "--from", "2031-03-04", "--to=2031-03-10")
    new = quietcuff("--store", str(household), "average", "mira", "--since", "2031-03-04", "--until", "2031-03-10")
    assert (old.exit_code, old.stdout) == (new.exit_code, new.stdout)
    assert "--from is called --since now" in old.stderr
    assert "--to is called --until now" in old.stderr


def test_completion_knows_the_commands() -> None:
    environment = {
        **os.environ,
        "_QUIETCUFF_COMPLETE": "complete_bash",
        "COMP_WORDS": "quietcuff re",
        "COMP_CWORD": "1",
    }
    done = subprocess.run(QUIETCUFF, capture_output=True, text=True, env=environment)
    assert set(done.stdout.split()) >= {"readings", "report", "relay", "rebuild", "retention"}


def test_a_slip_is_answered_with_what_was_meant(quietcuff: Callable[..., Result]) -> None:
    assert "did you mean 'average'?" in quietcuff("avrage").stderr
    assert "'give'" in quietcuff("person", "giv").stderr
    assert "--last" in quietcuff("readings", "--lasst", "3").stderr


HEARD = """
import os, signal, sys
class Sent:
    def find_spec(self, name, *_):
        if name == {module!r}:
            try:
                os.kill(os.getpid(), signal.SIGINT)
                for _ in range(1000): pass
            except KeyboardInterrupt as heard:
                if {wrapped}: raise RuntimeError("Error calling __set_name__") from heard
                raise
signal.signal(signal.SIGINT, signal.default_int_handler)
sys.meta_path.insert(0, Sent())
from collector.cli.main import run
run()
"""


@pytest.mark.parametrize("wrapped", [False, True], ids=["as it is", "as Python wraps it while it makes a class"])
@pytest.mark.parametrize("module", ["typer", "collector.cli.common.root_group", "collector.store.errors"])
def test_an_interrupt_while_the_program_is_still_loaded_is_no_traceback(
    module: str, wrapped: bool, tmp_path: Path
) -> None:
    code = HEARD.format(module=module, wrapped=wrapped)
    done = subprocess.run(
        [sys.executable, "-c", code, "--store", str(tmp_path / "s.db"), "check"], capture_output=True, text=True
    )
    assert (done.returncode, done.stdout, done.stderr) == (130, "", "")


WRITING = """
import sys, time, types
from pathlib import Path
from collector.cli.main import run
from collector.cli.common.command import new_app
from collector.cli.common.commands import COMMANDS
from collector.share.private_file import private_file
module = types.ModuleType("probe_command")
module.app = new_app()
@module.app.command()
def probe(file: Path) -> None:
    with private_file(file) as written:
        written.write("142/91")
        written.flush()
        print("begun", flush=True)
        for _ in range(600):  # a signal just before one of them is heard after it
            time.sleep(0.1)
sys.modules["probe_command"] = module
COMMANDS["probe"] = ("probe_command", "Probe.")
run()
"""


@pytest.mark.parametrize("number", [signal.SIGTERM, signal.SIGHUP, signal.SIGINT])
def test_whatever_ends_a_command_nothing_half_written_stays(number: signal.Signals, tmp_path: Path) -> None:
    command = ["env", "--default-signal", sys.executable, "-c", WRITING, "probe", str(tmp_path / "out.csv")]
    with subprocess.Popen(command, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True) as running:
        assert running.stdout is not None
        assert running.stdout.readline() == "begun\n"
        assert [one.name for one in tmp_path.iterdir()] == ["out.csv.part"]
        running.send_signal(number)
        _, words = running.communicate(timeout=30)
    assert words == ""
    # As whoever sent it expects: systemd takes the death by SIGTERM for a clean end, but not 143.
    assert running.returncode == (130 if number == signal.SIGINT else -number)
    assert not list(tmp_path.iterdir())


def test_what_was_begun_to_outlive_its_terminal_does(tmp_path: Path) -> None:
    """As `nohup` has it: a SIGHUP that is ignored stays so."""
    command = [
        "env",
        "--ignore-signal=HUP",
        sys.executable,
        "-c",
        WRITING.replace("600", "10"),
        "probe",
        str(tmp_path / "o"),
    ]
    with subprocess.Popen(command, stdout=subprocess.PIPE, text=True) as running:
        assert running.stdout is not None
        assert running.stdout.readline() == "begun\n"
        running.send_signal(signal.SIGHUP)
        assert running.wait(30) == 0
    assert (tmp_path / "o").read_text() == "142/91"

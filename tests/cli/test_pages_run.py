"""Every command on every page is run, page by page, in a household (and a clinic) as the pages tell of one.

What cannot be run here stands in ELSEWHERE and OTHERS, each with the test or the reason.
"""

import shutil
import time
from collections.abc import Callable
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest
from measured import KITCHEN, MONDAY, make_store, week
from pages import NAMES, PAGES, commands, mentions, shell_lines
from typer.testing import Result

from collector.intake.pipeline import catch_up, rebuild
from collector.service.jobs import backups
from collector.store import journal, people, readings
from collector.store.journal import cuffs, visits
from collector.store.opening import open_store
from collector.store.people import loans, slot_spans
from collector.store.values import Selection
from parsers.measurement import build_measurement, measurement

CLINIC = "C0:FF:EE:00:00:0C"
SUMMER = datetime(2031, 7, 1, tzinfo=UTC)
ELSEWHERE = {
    ("demo",): "CI runs the README's own line (.ci/run)",
    ("setup",): "asks, and writes into /etc: tests/cli/test_setup.py",
    ("listen",): "runs until it is stopped: tests/service/test_listening.py",
    ("sit",): "asks, and waits for a cuff: tests/cli/test_sit.py",
    ("loan", "back"): "asks, and waits for a cuff: tests/cli/test_loan.py",
    ("page", "revoke"): "needs a device that was let in: tests/cli/test_page.py",
    ("relay", "send"): "needs a receiver: tests/cli/test_relay.py, tests/share/test_relay_fhir.py and its neighbours",
}
OTHERS = {  # not ours, or the system's
    "sudo": "as root, under a real systemd: tests/stack/test_stack_unit.py",
    "python3": "CI runs the README's own lines (.ci/run)",
    ".venv/bin/python": "CI (.ci/run)",
    ".venv/bin/ruff": "CI (.ci/run)",
    ".venv/bin/pip": "CI (.ci/run), and tests/debian/test_archive.py",
    ".venv/bin/cyclonedx-py": "tests/debian/test_archive.py",
    "pip": "asks a package registry: by hand, on the day that the page names",
    "cd": "into the copy",
    "cat": "shows what the next line reads",
    "printf": "into a file by sudo",
    "alias": "a shell's own",
    "journalctl": "systemd's own",
}
FREE = {
    "FILE": "log.csv",
    "FORMAT": "ndjson",
    "OTHER.db": "other.db",
    "NAME": "anna",
    "SQL": "SELECT 1",
    "COMMAND": "readings",
    "PERSON": "mira",
    "OTHER": "anna",
    "ADDRESS": "C0:FF:EE:00:00:01",
    "CUFF": "C0:FF:EE:00:00:01",
}


@pytest.fixture(scope="module")
def as_told(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Readings in slots 1 and 4 (anna's) of the cuff 'kitchen', one of nobody's, the lending cuff clinic-3."""
    folder = tmp_path_factory.mktemp("told")
    rows = [*week(MONDAY, 138, 86, days=45), *week(MONDAY, 131, 82, slot=4)]
    path = make_store(folder / "quietcuff.db", rows, {"anna": 4})
    with open_store(path) as store:
        stray = build_measurement(measurement(119, 79, 90, pulse=60, user_id=9))
        for number, cuff in enumerate((KITCHEN, CLINIC)):
            journal.append(
                store,
                cuff=cuff,
                characteristic=0x2A35,
                value=stray,
                source="virtual",
                encrypted=True,
                arrived_at=MONDAY + timedelta(hours=number),
            )
        catch_up(store)
        cuffs.name(store, CLINIC, "clinic-3", MONDAY)
    make_store(folder / "other.db", [*week(MONDAY, 128, 80, days=1)], {})
    open_store(folder / "practice.db").close()
    (folder / "log.csv").write_text("taken_at,systolic,diastolic,pulse,person\n2021-02-27 07:30,134,86,66,mira\n")
    backups.take(path, folder / "backups", 3)
    return folder


def back(path: Path) -> None:
    """As after `loan back`, all questions answered yes."""
    with open_store(path) as store:
        loans.make_available(store, loans.begin_return(store, CLINIC, SUMMER), SUMMER)


def bond_made_anew(path: Path) -> None:
    with open_store(path) as store:
        visit = visits.open_visit(store, KITCHEN, "virtual", MONDAY)
        visits.learn_bond(store, visit, True, "cuff", MONDAY, renewed=True)
        visits.close_visit(store, visit, MONDAY, "cuff left")


def elsewhere(args: list[str]) -> bool:
    plain = [arg for arg in args if arg not in ("--store", "practice.db")]
    if any(arg.startswith("postgresql://") for arg in plain):
        return True  # needs a server: tests/cli/test_central.py
    return any(tuple(plain[: len(named)]) == named for named in ELSEWHERE)


@pytest.mark.parametrize("page", PAGES, ids=NAMES)
def test_every_command_of_the_page_works(
    page: Path, as_told: Path, tmp_path: Path, quietcuff: Callable[..., Result], monkeypatch: pytest.MonkeyPatch
) -> None:
    folder = tmp_path / "home"
    shutil.copytree(as_told, folder)
    monkeypatch.chdir(folder)
    # The household lives in 2031.
    monkeypatch.setattr("collector.service.machine_clock.now", lambda: SUMMER - timedelta(days=1))
    monkeypatch.setenv("QUIETCUFF_STORE", str(folder / "quietcuff.db"))
    with open_store(folder / "quietcuff.db") as store:
        if ["person", "add", "mira"] not in commands(page):
            people.add(store, "mira", MONDAY)
            slot_spans.add(store, "mira", KITCHEN, 1, MONDAY)
            rebuild(store)
        stray = next(one for one in readings.select(store, Selection()) if one.slot == 9)
        payloads = "".join(f"{one.payload}\n" for one in readings.select(store, Selection(last=3)))
    known = FREE | {"3f9a": stray.reading_id}
    for number, args in enumerate([*commands(page), *mentions(page)]):
        wanted = [known.get(arg, arg) for arg in args]
        if elsewhere(args):
            if args[:2] == ["loan", "back"]:
                back(folder / "quietcuff.db")
            continue
        if args[:2] == ["cuff", "confirm"]:
            bond_made_anew(folder / "quietcuff.db")
        if args[:2] in (["person", "erase"], ["person", "unite"]):
            wanted.append("--yes")  # nobody is there to be asked
        if wanted[:1] == ["merge"]:
            wanted[1:2] = ["other.db"]
        if wanted[:2] == ["check", "--config"]:
            (folder / "log.csv").write_text("")  # an empty configuration
        result = quietcuff(*wanted, input=payloads if args[0] == "decode" else None)
        if "try again in a second" in result.stderr:  # two backups of a page, faster than anybody types
            time.sleep(1)
            result = quietcuff(*wanted)
        if "missing argument" in result.stderr and number >= len(commands(page)):
            result = quietcuff(*args, "--help")  # the text speaks of the command as such
        assert result.exit_code in (0, 3), (wanted, result.exit_code, result.output)


def test_the_pages_are_full_of_commands() -> None:
    """Else the test above runs nothing."""
    typed = [args for page in PAGES for args in commands(page)]
    found = typed + [args for page in PAGES for args in mentions(page)]
    assert len(typed) > 50
    assert len(found) > 90
    assert sum(map(elsewhere, found)) < len(found) / 4
    assert all(
        any(args[: len(named)] == list(named) or args[2 : 2 + len(named)] == list(named) for args in found)
        for named in ELSEWHERE
    ), "an exception that no page needs"


@pytest.mark.parametrize("page", PAGES, ids=NAMES)
def test_every_other_line_has_somebody_who_runs_it(page: Path) -> None:
    for line in shell_lines(page):
        word = line.split()[0]
        assert word in OTHERS or word.rpartition("/")[2] == "quietcuff", (page.name, line)

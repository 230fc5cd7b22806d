"""A light command imports nothing heavy: a Pi feels every hundred milliseconds."""

import subprocess
import sys
from pathlib import Path

import pytest

LIST = """
import sys
SOME = {"collector.numbers.rules", "importlib.metadata"}
from collector.cli.main import run
try:
    run()
except SystemExit:
    pass
print("MODULES", *sorted({name.split(".")[0] for name in sys.modules}), *SOME & set(sys.modules))
"""
HEAVY = {
    "aiohttp",
    "apscheduler",
    "asyncio",
    "bleak",
    "bumble",
    "cryptography",
    "dbus_fast",
    "fhir",
    "fpdf",
    "fontTools",
    "httpx",
    "matplotlib",
    "numpy",
    "paho",
    "pyarrow",
    "pyrage",
    "reportlab",
    "scipy",
    "sqlite_utils",
}
RADIO = {"apscheduler", "bleak", "bumble"}


def imported(*arguments: str) -> set[str]:
    done = subprocess.run([sys.executable, "-c", LIST, *arguments], capture_output=True, text=True)
    (line,) = [line for line in done.stdout.splitlines() if line.startswith("MODULES ")]
    return set(line.split()[1:])


@pytest.mark.parametrize(
    "command",
    [
        "--version",
        "--help",
        "readings --last 2",
        "cuff list",
        "person list",
        "average ada",
        "backup list",
        "export --to csv",
        "protocols",
        "retention --days 9",
    ],
)
def test_light_commands(command: str, household: Path) -> None:
    assert imported("--store", str(household), *command.split()) & HEAVY == set()


@pytest.mark.parametrize("command", ["readings --last 2", "cuff list", "person list", "rebuild"])
def test_what_does_not_reckon_brings_no_rules_nor_what_reads_packages(command: str, household: Path) -> None:
    """Each is a tenth of what a light command takes to start."""
    brought = imported("--store", str(household), *command.split())
    assert not brought & {"collector.numbers.rules", "importlib.metadata"}


@pytest.mark.parametrize("command", ["decode 0080005000610000", "rebuild"])
def test_what_looks_at_octets_is_light(command: str, household: Path) -> None:
    assert imported("--store", str(household), *command.split()) & HEAVY == set()


def test_a_check_asks_the_bus_only_where_there_is_an_adapter(household: Path) -> None:
    adapter = any(Path("/sys/class/bluetooth").glob("hci*"))
    assert imported("--store", str(household), "check", "--quick") & (RADIO if adapter else HEAVY) == set()

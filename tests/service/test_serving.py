"""A plain `listen` is understood without the library that parses command lines, and exactly as by it."""

import subprocess
import sys
from datetime import UTC, datetime
from pathlib import Path

import pytest

from collector.service.jobs import backups
from collector.service.listen.entry import Wish, chosen, plainly
from collector.store import journal
from collector.store.opening import open_store

NOON = datetime(2031, 3, 4, 12, tzinfo=UTC)


@pytest.mark.parametrize(
    ("line", "wish"),
    [
        ("listen", Wish()),
        ("--store /a/b.db listen", Wish(store=Path("/a/b.db"))),
        ("listen --store=/a=b.db --config c.toml", Wish(store=Path("/a=b.db"), config=Path("c.toml"))),
        ("listen --radio virtual --adapter hci1 --log debug", Wish(radio="virtual", adapter="hci1", log="debug")),
    ],
)
def test_plain_lines(line: str, wish: Wish) -> None:
    assert plainly(line.split(), {}) == wish


@pytest.mark.parametrize(
    "line",
    [
        "listen --help",
        "listen --radio",
        "listen --radio nobody",
        "listen --log loud",
        "listen listen",
        "readings",
        "listen extra",
        "listen --unknown 3",
        "--version listen",
        "listen --store --log",
        "cuff name listen",
    ],
)
def test_what_needs_explaining_is_left_to_the_library(line: str) -> None:
    assert plainly(line.split(), {}) is None


def test_the_environment_is_heard_and_the_line_goes_before_it() -> None:
    environment = {"QUIETCUFF_STORE": "/e.db", "QUIETCUFF_CONFIG": "/e.toml"}
    assert plainly(["listen"], environment) == Wish(Path("/e.db"), Path("/e.toml"))
    assert plainly(["--store", "/a.db", "listen"], environment) == Wish(Path("/a.db"), Path("/e.toml"))


def test_the_line_goes_before_the_configuration(tmp_path: Path) -> None:
    file = tmp_path / "quietcuff.toml"
    file.write_text('[radio]\nkind = "virtual"\nadapter = "hci3"\n')
    assert chosen(Wish(config=file)).radio.kind == "virtual"
    assert chosen(Wish(config=file, radio="bluez")).radio.kind == "bluez"
    assert chosen(Wish(config=file, radio="bluez")).radio.adapter == "hci3"


LISTEN = """
import sys, threading
sys.argv = ["quietcuff", "--store", sys.argv[1], "listen"]
async def over(*arguments, **options):
    print(sorted({name.split(".")[0] for name in sys.modules} & {"typer", "pydantic", "rich", "numpy", "bumble"}))
import collector.service.listen.assemble
collector.service.listen.assemble.listen = over
from collector.cli.main import run
run()
"""


def test_the_service_does_not_carry_the_command_line(tmp_path: Path) -> None:
    done = subprocess.run([sys.executable, "-c", LISTEN, str(tmp_path / "q.db")], capture_output=True, text=True)
    assert done.stdout.strip() == "[]", done.stderr


LEAN = """
import sys
from collector.service.listen.lean import without_openssl
without_openssl()
import asyncio, hashlib
print(sorted({"ssl", "_ssl", "_hashlib"} & set(sys.modules)))
print(hashlib.sha256(b"abc").hexdigest())
import ssl
print(ssl.create_default_context().verify_mode.name)
"""


def test_openssl_is_there_for_whoever_asks_and_for_nobody_else() -> None:
    """The digest is of FIPS 180-2, appendix B.1."""
    done = subprocess.run([sys.executable, "-W", "error", "-c", LEAN], capture_output=True, text=True)
    assert done.stdout.splitlines() == [
        "[]",
        "ba7816bf8f01cfea414140de5dae2223b00361a396177a9cb410ff61f20015ad",
        "CERT_REQUIRED",
    ], done.stderr


NEW_STORE = """
import asyncio, sys
from pathlib import Path
import collector.service.listen.assemble
from collector.store.opening import open_store
async def over(store, *arguments, **options):
    with open_store(store, create=False) as opened:
        print(opened.scalar("SELECT count(*) FROM station"), "sqlite_utils" in sys.modules)
collector.service.listen.assemble.listen = over
from collector.service.listen.entry import Wish, serve
serve(Wish(store=Path(sys.argv[1])))
"""


def test_what_changes_a_schema_does_not_stay(tmp_path: Path) -> None:
    done = subprocess.run([sys.executable, "-c", NEW_STORE, str(tmp_path / "q.db")], capture_output=True, text=True)
    assert done.stdout.split() == ["1", "False"], done.stderr


def test_what_stands_in_the_way_is_one_line(tmp_path: Path) -> None:
    (tmp_path / "q.db").write_text("no store at all " * 400)
    done = subprocess.run(
        [sys.executable, "-m", "collector.cli.main", "--store", str(tmp_path / "q.db"), "listen"],
        capture_output=True,
        text=True,
    )
    assert done.returncode == 1
    assert len(done.stderr.splitlines()) == 1
    assert "not a quietcuff store" in done.stderr


def test_a_damaged_store_is_left_alone_and_the_last_good_backup_offered(tmp_path: Path) -> None:
    path = tmp_path / "q.db"
    with open_store(path) as store:
        for number in range(300):
            journal.append(
                store,
                cuff="C0:FF:EE:00:00:01",
                characteristic=0x2A35,
                value=bytes([number % 256]) * 100,
                arrived_at=NOON,
                source="virtual",
            )
    made = backups.take(path, tmp_path / "backups", keep=3, now=NOON)
    octets = bytearray(path.read_bytes())
    for page in range(3, len(octets) // 4096, 3):
        octets[page * 4096 : page * 4096 + 400] = b"\xa5" * 400
    path.write_bytes(octets)
    done = subprocess.run(
        [sys.executable, "-m", "collector.cli.main", "--store", str(path), "listen"], capture_output=True, text=True
    )
    assert done.returncode == 1
    assert f"quietcuff backup restore {made.path.name}" in done.stderr
    assert len(done.stderr.splitlines()) == 1
    assert path.read_bytes() == octets

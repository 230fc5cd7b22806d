"""The unit's own entry point: the options of `listen` without the library that parses the command line."""

import subprocess
import sys
from collections.abc import Callable
from dataclasses import replace
from datetime import UTC, datetime
from pathlib import Path

import pytest

from collector.service.config.settings import RadioKind
from collector.service.jobs import backups
from collector.service.listen import main
from collector.service.listen.main import ListenOptions, configured
from collector.store import journal
from collector.store.opening import open_store

NOON = datetime(2031, 3, 4, 12, tzinfo=UTC)


@pytest.fixture
def heard(monkeypatch: pytest.MonkeyPatch) -> Callable[..., ListenOptions]:
    """What `quietcuff-listen` with these words would serve."""

    def run_entry(*words: str, **environment: str) -> ListenOptions:
        served: list[ListenOptions] = []
        with monkeypatch.context() as patch:
            for name in ("QUIETCUFF_STORE", "QUIETCUFF_CONFIG"):
                patch.delenv(name, raising=False)
            for name, value in environment.items():
                patch.setenv(name, value)
            patch.setattr(main, "serve", served.append)
            patch.setattr(sys, "argv", ["quietcuff-listen", *words])
            main.run()
        (options,) = served
        return options

    return run_entry


@pytest.mark.parametrize(
    ("line", "options"),
    [
        ("", ListenOptions()),
        ("--store=/a=b.db --config c.toml", ListenOptions(store=Path("/a=b.db"), config=Path("c.toml"))),
        (
            "--radio virtual --adapter hci1 --log debug",
            ListenOptions(radio=RadioKind.VIRTUAL, adapter="hci1", log="debug"),
        ),
    ],
)
def test_the_units_entry_takes_the_options_of_listen(
    line: str, options: ListenOptions, heard: Callable[..., ListenOptions]
) -> None:
    assert heard(*line.split()) == options


@pytest.mark.parametrize("line", ["--radio", "--radio nobody", "--log loud", "extra", "--unknown 3"])
def test_a_wrong_line_is_refused(line: str, heard: Callable[..., ListenOptions]) -> None:
    with pytest.raises(SystemExit) as refused:
        heard(*line.split())
    assert refused.value.code == 2


def test_the_environment_is_heard_and_the_line_goes_before_it(heard: Callable[..., ListenOptions]) -> None:
    environment = {"QUIETCUFF_STORE": "/e.db", "QUIETCUFF_CONFIG": "/e.toml"}
    both = ListenOptions(store=Path("/e.db"), config=Path("/e.toml"))
    assert heard(**environment) == both
    assert heard("--store", "/a.db", **environment) == replace(both, store=Path("/a.db"))


def test_the_line_goes_before_the_configuration(tmp_path: Path) -> None:
    file = tmp_path / "quietcuff.toml"
    file.write_text('[radio]\nkind = "virtual"\nadapter = "hci3"\n')
    assert configured(ListenOptions(config=file)).radio.kind == "virtual"
    assert configured(ListenOptions(config=file, radio=RadioKind.BLUEZ)).radio.kind == "bluez"
    assert configured(ListenOptions(config=file, radio=RadioKind.BLUEZ)).radio.adapter == "hci3"


LISTEN = """
import sys
sys.argv = ["quietcuff-listen", "--store", sys.argv[1]]
async def over(*arguments, **options):
    print(sorted({name.split(".")[0] for name in sys.modules} & {"typer", "pydantic", "rich", "numpy", "bumble"}))
from collector.service.listen import main
main.listen = over
main.run()
"""


def test_the_service_does_not_carry_the_command_line(tmp_path: Path) -> None:
    done = subprocess.run([sys.executable, "-c", LISTEN, str(tmp_path / "q.db")], capture_output=True, text=True)
    assert done.stdout.strip() == "[]", done.stderr


NEW_STORE = """
import asyncio, sys
from pathlib import Path
from collector.service.listen import main
from collector.store.opening import open_store
async def over(store, *arguments, **options):
    with open_store(store, create=False) as opened:
        print(opened.scalar("SELECT count(*) FROM station"), "sqlite_utils" in sys.modules)
main.listen = over
main.serve(main.ListenOptions(store=Path(sys.argv[1])))
"""


def test_what_changes_a_schema_does_not_stay(tmp_path: Path) -> None:
    done = subprocess.run([sys.executable, "-c", NEW_STORE, str(tmp_path / "q.db")], capture_output=True, text=True)
    assert done.stdout.split() == ["1", "False"], done.stderr


def test_what_stands_in_the_way_is_one_line(tmp_path: Path) -> None:
    (tmp_path / "q.db").write_text("no store at all " * 400)
    done = subprocess.run(
        [sys.executable, "-m", "collector.service.listen.main", "--store", str(tmp_path / "q.db")],
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

"""Runs command lines in this process, in surroundings that nobody's own settings reach."""

import json
import os
import shutil
from collections.abc import Callable
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import pytest
from typer.testing import CliRunner, Result

from collector.cli.common.root_group import root_app
from collector.intake.pipeline import catch_up, settle
from collector.service.checks import bluetooth
from collector.store import journal
from collector.store.database import Store
from collector.store.journal import cuffs, stations, visits
from collector.store.opening import open_store
from collector.store.upkeep import checkpoint
from parsers.measurement import build_measurement, measurement
from parsers.stamps import DateTime, build_date_time


@pytest.fixture
def quietcuff(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> Callable[..., Result]:
    """`quietcuff(*args, input=None)`: stdout, stderr and exit code as a shell would see them."""
    for name in list(os.environ):
        if name.startswith("QUIETCUFF_"):
            monkeypatch.delenv(name)
    monkeypatch.setenv("HOME", str(tmp_path))
    monkeypatch.setenv("XDG_DATA_HOME", str(tmp_path / "data"))
    monkeypatch.setenv("XDG_CONFIG_HOME", str(tmp_path / "config"))
    monkeypatch.setattr("collector.service.config.from_file.SYSTEM_FILE", tmp_path / "etc" / "quietcuff.toml")
    monkeypatch.setattr("collector.service.config.from_file.SYSTEM_STORE", tmp_path / "var" / "quietcuff" / "q.db")

    def run(*args: str, input: str | None = None) -> Result:
        return CliRunner().invoke(root_app(), list(args), input=input)

    return run


@pytest.fixture
def findings(
    quietcuff: Callable[..., Result], household: Path, monkeypatch: pytest.MonkeyPatch
) -> Callable[..., dict[str, Any]]:
    """Findings by topic, and the exit code as 'exit', on a machine without Bluetooth."""
    monkeypatch.setattr(bluetooth, "adapters", list)

    def run(*args: str) -> dict[str, Any]:
        result = quietcuff("--store", str(household), "check", "--json", *args)
        found = {}
        for line in result.stdout.splitlines():
            finding = json.loads(line)
            assert (finding["remedy"] is None) == (finding["state"] == "fine"), finding
            found[finding["topic"]] = finding
        return {"exit": result.exit_code, **found}

    return run


@pytest.fixture
def household(made_household: Path, tmp_path: Path) -> Path:
    """A copy of its own for every test."""
    return Path(shutil.copy(made_household, tmp_path / "household.db"))


@pytest.fixture(scope="session")
def made_household(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The store of an invented household: 24 readings of the cuff 'kitchen', slot 1, one of them very high.

    From 4 March 2031 on, at 07:00 and 21:00 in Lisbon, the cuff's clock right; one record came twice, one
    payload is cut, and a second cuff sent one reading of its slot 2.
    """
    path = tmp_path_factory.mktemp("household") / "household.db"
    with open_store(path) as store:
        stations.set_zone(store, "Europe/Lisbon", datetime(2031, 1, 1, tzinfo=UTC))
        for number in range(24):
            at = datetime(2031, 3, 4, 7 + 14 * (number % 2), tzinfo=UTC) + timedelta(days=number // 2)
            _send(store, KITCHEN, at, 191 if number == 5 else 120 + number, 80, 60 + number, slot=1)
        _send(store, KITCHEN, at, 143, 80, 83, slot=1)  # the record before, once more
        _send(store, BEDROOM, at + timedelta(minutes=9), 117, 76, 58, slot=2)
        journal.append(store, cuff=KITCHEN, characteristic=0x2A35, value=b"\x1e\x80", arrived_at=at, source="virtual")
        cuffs.name(store, KITCHEN, "kitchen", at)
        catch_up(store)
        checkpoint(store)
    path.chmod(0o600)
    return path


KITCHEN, BEDROOM = "C0:FF:EE:00:00:01", "C0:FF:EE:00:00:02"


def _send(store: Store, cuff: str, at: datetime, systolic: int, diastolic: int, pulse: int, slot: int) -> None:
    visit = visits.open_visit(store, cuff, "virtual", at)
    clock = DateTime.of(at.replace(tzinfo=None))
    visits.learn_value(store, visit, 0x2A08, build_date_time(clock), at)
    value = build_measurement(
        measurement(systolic, diastolic, 97, stamp=clock, pulse=pulse, user_id=slot, status=4 if systolic > 180 else 0)
    )
    journal.append(
        store,
        cuff=cuff,
        characteristic=0x2A35,
        value=value,
        source="virtual",
        visit=visit,
        arrived_at=at + timedelta(seconds=20),
        encrypted=True,
    )
    visits.close_visit(store, visit, at + timedelta(seconds=30), "cuff left")
    catch_up(store)
    settle(store, visit)

"""`quietcuff check` shows what the service would give notice of, and its exit code says so."""

import json
from collections.abc import Callable
from datetime import UTC, datetime
from pathlib import Path

import pytest
from typer.testing import Result

from collector.store.journal import visits
from collector.store.opening import open_store


@pytest.mark.parametrize(("level", "told"), [(7, True), (70, False)])
def test_a_low_battery_wants_attention(
    quietcuff: Callable[..., Result], household: Path, level: int, told: bool
) -> None:
    with open_store(household) as store:
        visit = visits.open_visit(store, "C0:FF:EE:00:00:01", "virtual", datetime.now(UTC))
        visits.learn_value(store, visit, 0x2A19, bytes([level]), datetime.now(UTC))
    found = quietcuff("--store", str(household), "check", "--quick", "--json")
    lines = [json.loads(line) for line in found.stdout.splitlines()]
    batteries = [line for line in lines if line["topic"] == "battery"]
    assert [line["text"] for line in batteries] == (["kitchen: its battery is at 7 %"] if told else [])
    assert all(line["state"] == "attention" and line["remedy"] for line in batteries)
    assert found.exit_code == 3

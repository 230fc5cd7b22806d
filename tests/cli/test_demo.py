"""`demo`: what it shows carries what must stand beside it. Its collecting: tests/service/test_listening.py."""

import shutil
from collections.abc import Callable
from datetime import UTC, datetime
from pathlib import Path

import pytest
from typer.testing import Result

from collector import intake
from collector.numbers import words
from collector.service import demo
from collector.store import open_store, people
from collector.store.people import slot_spans

KITCHEN = "C0:FF:EE:00:00:01"
BEFORE = datetime(2031, 1, 1, tzinfo=UTC)


def test_its_average_carries_its_caution(
    quietcuff: Callable[..., Result], made_household: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    async def collected(path: Path, *_: object) -> demo.Collected:
        shutil.copy(made_household, path)
        with open_store(path) as store:
            people.add(store, demo.PERSON, BEFORE)
            slot_spans.add(store, demo.PERSON, KITCHEN, 1, BEFORE)
            intake.reassign(store)
        return demo.Collected(sent=26, payloads=26, repeats=1, readings=25)

    monkeypatch.setattr(demo, "run", collected)
    result = quietcuff("--store", str(tmp_path / "demo.db"), "demo")
    assert result.exit_code == 0, result.stderr
    assert "mmHg" in result.stdout
    assert " ".join(words.caution().split()) in " ".join(result.stderr.split())
    assert " ".join(words.caution().split()) in " ".join((tmp_path / f"{demo.PERSON}.html").read_text("utf-8").split())

"""Runs command lines in this process, in surroundings that nobody's own settings reach."""

import os
from collections.abc import Callable
from pathlib import Path

import pytest
from typer.testing import CliRunner, Result

from collector.cli.main import front


@pytest.fixture
def quietcuff(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> Callable[..., Result]:
    """`quietcuff(*args, input=None)`: stdout, stderr and exit code as a shell would see them."""
    for name in list(os.environ):
        if name.startswith("QUIETCUFF_"):
            monkeypatch.delenv(name)
    monkeypatch.setenv("HOME", str(tmp_path))
    monkeypatch.setenv("XDG_DATA_HOME", str(tmp_path / "data"))
    monkeypatch.setenv("XDG_CONFIG_HOME", str(tmp_path / "config"))
    monkeypatch.setattr("collector.service.config.SYSTEM_FILE", tmp_path / "etc" / "quietcuff.toml")
    monkeypatch.setattr("collector.service.config.SYSTEM_STORE", tmp_path / "var" / "quietcuff" / "q.db")

    def run(*args: str, input: str | None = None) -> Result:
        return CliRunner().invoke(front(), list(args), input=input)

    return run

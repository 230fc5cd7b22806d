"""The ordinary run's share of fuzzing, and everything that a fuzzing run ever kept."""

import importlib.util
from pathlib import Path
from types import ModuleType

import pytest


def load() -> ModuleType:
    spec = importlib.util.spec_from_file_location("hostile", Path(__file__).with_name("hostile.py"))
    assert spec is not None
    assert spec.loader is not None
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    return module


hostile = load()


def test_what_fuzzing_kept() -> None:
    assert len(hostile.kept()) > 100
    for data in hostile.seeds():
        hostile.check(data)


def test_twenty_thousand_inputs() -> None:
    for data in hostile.inputs(20_000):
        hostile.check(data)


@pytest.mark.long
@pytest.mark.timeout(3600)
def test_ten_million_inputs() -> None:
    for data in hostile.inputs(10_000_000, seed=2):
        hostile.check(data)


def test_the_check_itself_finds_what_is_wrong(monkeypatch: pytest.MonkeyPatch) -> None:
    def broken(uuid: int, value: bytes) -> object:
        raise IndexError(uuid)

    monkeypatch.setattr(hostile, "decode", broken)
    with pytest.raises(IndexError):
        hostile.check(b"\0\0\0")
    with pytest.raises(AssertionError, match="terminal"):
        hostile.check_shown("\x1b[2J", 10)

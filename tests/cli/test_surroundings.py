"""What surrounds a command is odd: its time zone, its folder, the files beside the store. One line says so."""

import time
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest
from typer.testing import Result

Run = Callable[..., Result]


@pytest.fixture
def zone(monkeypatch: pytest.MonkeyPatch) -> Iterator[Callable[[str], None]]:
    def shown(name: str) -> None:
        monkeypatch.setenv("TZ", name)
        time.tzset()

    yield shown
    monkeypatch.undo()
    time.tzset()


@pytest.mark.parametrize("name", ["UTC+25", "UTC-24", "AAA+24:59:59"])
@pytest.mark.parametrize("words", [("check", "--json"), ("readings",), ("person", "add", "x")])
def test_a_zone_a_day_or_more_away_is_refused_at_the_door(
    quietcuff: Run, zone: Callable[[str], None], tmp_path: Path, name: str, words: tuple[str, ...]
) -> None:
    """Seen: POSIX allows a TZ that Python's datetime does not, and `check` ended with an unforeseen ValueError."""
    zone(name)
    result = quietcuff("--store", str(tmp_path / "s.db"), *words)
    assert result.exit_code == 1
    assert result.stderr.splitlines() == [
        f"quietcuff: this machine's time zone is a day or more from UTC (TZ is {name!r}); "
        "set it to yours, such as TZ=Europe/Lisbon"
    ]
    assert not (tmp_path / "s.db").exists()

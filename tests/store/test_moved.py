"""A store whose file somebody moves, takes away or replaces while it is open."""

import os
import shutil
from collections.abc import Callable
from datetime import UTC, datetime
from pathlib import Path

import pytest
from fresh import fresh

from collector.store import Store, StoreError, journal, open_store, writers

NOON = datetime(2026, 3, 9, 12, 0, tzinfo=UTC)


def add(store: Store, number: int) -> None:
    journal.append(store, cuff="C0:FF:EE:00:00:01", characteristic=0x2A35,
                   value=number.to_bytes(2, "big") * 5, arrived_at=NOON, source="virtual")  # fmt: skip


def moved(path: Path) -> None:
    path.rename(path.with_name("moved.db"))


def taken_away(path: Path) -> None:
    path.unlink()


def replaced(path: Path) -> None:
    shutil.copyfile(path, path.with_name("copy.db"))
    os.replace(path.with_name("copy.db"), path)


@pytest.mark.parametrize("meddle", [moved, taken_away, replaced])
def test_nothing_is_told_as_stored_that_nobody_would_find(tmp_path: Path, meddle: Callable[[Path], None]) -> None:
    """Seen: `listen` confirmed readings for days into a file that had no name any more."""
    path = tmp_path / "store.db"
    with fresh(path) as store:
        add(store, 1)
        meddle(path)
        with pytest.raises(StoreError, match=r"store\.db: was moved, taken away or replaced .* put it back") as caught:
            add(store, 2)
        assert caught.value.kind == "moved"
        if meddle is moved:
            path.with_name("moved.db").rename(path)
            add(store, 3)  # put back, all goes on
    if meddle is moved:
        with open_store(path) as store:
            assert store.scalar("SELECT count(*) FROM payload") == 2


def test_a_name_is_of_one_file_only(tmp_path: Path) -> None:
    path = tmp_path / "file"
    path.write_text("one")
    found = path.stat()
    assert writers.stands_at(path, found)
    path.with_name("new").write_text("one")
    path.with_name("new").rename(path)
    assert not writers.stands_at(path, found)
    path.unlink()
    assert not writers.stands_at(path, found)

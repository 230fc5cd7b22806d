"""A store has one set of locks, one log and one place, whatever it is called; and no device or pipe is one."""

import os
import resource
from contextlib import suppress
from datetime import UTC, datetime
from decimal import Decimal
from pathlib import Path

import pytest

from collector import intake
from collector.service.jobs import backups, restoring
from collector.service.listener_lock import AlreadyListening, listener, only_listener
from collector.store import journal, open_store, readings, writers
from collector.store.errors import StoreError

NOON = datetime(2031, 3, 4, 12, 0, tzinfo=UTC)


def append(path: Path, value: bytes) -> None:
    with open_store(path) as store:
        journal.append(store, cuff="F0:00:00:00:00:01", characteristic=0x2A35, value=value, arrived_at=NOON,
                       source="test")  # fmt: skip


@pytest.fixture
def store_and_link(tmp_path: Path) -> tuple[Path, Path]:
    path, link = tmp_path / "there" / "quietcuff.db", tmp_path / "link.db"
    append(path, b"first")
    link.symlink_to(path)
    return path, link


def test_two_listeners_by_two_names(store_and_link: tuple[Path, Path]) -> None:
    path, link = store_and_link
    with only_listener(path):
        assert listener(link) == os.getpid()
        with pytest.raises(AlreadyListening), only_listener(link):
            pass


def test_a_restore_by_another_name_waits_for_nobody_that_writes(store_and_link: tuple[Path, Path]) -> None:
    path, link = store_and_link
    backup = backups.take(path, path.parent / "backups", keep=1)
    twice = (open_store(path), open_store(path))
    with twice[0], twice[1], pytest.raises(StoreError, match=rf"another program, process {os.getpid()}, has"):
        restoring.restore(link, backup)
    append(path, b"second")
    kept = restoring.restore(link, backup).kept
    assert link.is_symlink(), "the link still leads to the store"
    assert kept is not None
    assert kept.parent == path.parent
    for file, many in ((path, 1), (link, 1), (kept, 2)):
        with open_store(file, read_only=True) as store:
            assert journal.counts(store).payloads == many


def test_what_stands_in_the_log_is_read_by_another_name(store_and_link: tuple[Path, Path], tmp_path: Path) -> None:
    path, link = store_and_link
    with open_store(path) as writing:
        writing.query("PRAGMA wal_autocheckpoint=0")
        journal.append(writing, cuff="F0:00:00:00:00:01", characteristic=0x2A35, value=b"logged", arrived_at=NOON,
                       source="test")  # fmt: skip
        with open_store(link, read_only=True) as reading:
            assert journal.counts(reading).payloads == 2
        with open_store(tmp_path / "other.db") as other:
            assert intake.merge(other, link).payloads == 2
    assert backups.look_into(link).payloads == 2


@pytest.mark.parametrize("kind", ["pipe", "loop", "folder", "device"])
def test_what_is_no_file_is_no_store_and_nothing_is_made_beside_it(kind: str, tmp_path: Path) -> None:
    path = tmp_path / "no-store"
    if kind == "pipe":
        os.mkfifo(path)
    elif kind == "loop":
        path.symlink_to(path)
    elif kind == "folder":
        path.mkdir()
    else:
        path.symlink_to("/dev/zero")
    for go in (open_store, lambda path: backups.take(path, tmp_path / "backups", keep=1)):
        with pytest.raises(StoreError, match=r"not a( quietcuff)? store"):
            go(path)
    with pytest.raises(StoreError, match="not a store"):
        backups.take(Path("."), tmp_path / "backups", keep=1)
    assert [one.name for one in tmp_path.iterdir()] == ["no-store"]
    assert not Path("/dev/zero.writers").exists()


def test_nobody_writes_without_the_lock_because_of_open_files(store_and_link: tuple[Path, Path]) -> None:
    path, _ = store_and_link
    soft, hard = resource.getrlimit(resource.RLIMIT_NOFILE)
    resource.setrlimit(resource.RLIMIT_NOFILE, (0, hard))  # no file more can be opened
    try:
        with pytest.raises(StoreError, match="cannot be locked"):
            writers.share(path)
    finally:
        resource.setrlimit(resource.RLIMIT_NOFILE, (soft, hard))


def test_what_this_machine_cannot_read_just_now_sets_no_reading_aside(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Seen under `ulimit -n 6`: 'none of the 120 readings match', and an average of none."""
    from collector.intake.take_log import take_log
    from collector.store import columns

    def too_many(name: str) -> object:
        raise OSError(24, "Too many open files", name)

    with open_store(tmp_path / "quietcuff.db") as store:
        take_log(store, [intake.HandRow(NOON, Decimal(128), Decimal(81), Decimal(64), None)], NOON)
        assert len(list(readings.select(store))) == 1
        columns.zone_named.cache_clear()
        monkeypatch.setattr(columns, "ZoneInfo", too_many)
        with pytest.raises(OSError, match="Too many open files"):
            list(readings.select(store))
        with suppress(OSError):  # where it has to know the zone's rules
            intake.rebuild(store)
        monkeypatch.undo()
        assert len(list(readings.select(store))) == 1
        assert intake.rebuild(store)
        assert len(list(readings.select(store))) == 1


def test_a_log_without_its_store_is_not_thrown_away(tmp_path: Path) -> None:
    """Whoever moved the store alone, after a crash, lost what stood in the log as soon as anything made a new one."""
    path = tmp_path / "quietcuff.db"
    with open_store(path) as writing:
        writing.query("PRAGMA wal_autocheckpoint=0")
        journal.append(writing, cuff="F0:00:00:00:00:01", characteristic=0x2A35, value=b"logged", arrived_at=NOON,
                       source="test")  # fmt: skip
        log = path.with_name("quietcuff.db-wal").read_bytes()
    path.rename(tmp_path / "moved.db")
    path.with_name("quietcuff.db-wal").write_bytes(log)
    with pytest.raises(StoreError, match="its log is, with what was written last"):
        open_store(path)
    assert path.with_name("quietcuff.db-wal").read_bytes() == log
    assert not path.exists()

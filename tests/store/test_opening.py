"""Opening a store: made private and durable, and every trouble told in one line."""

import gc
import os
import resource
import shutil
import signal
import sqlite3
import stat
import subprocess
import sys
from contextlib import closing
from datetime import UTC, datetime
from pathlib import Path
from threading import Timer
from typing import cast

import pytest
from sqlite_utils import Database

from collector.store import Store, StoreError, journal, open_store, opening, readings, schema_steps, sightings, upkeep
from collector.store.migrations import STEPS

NOON = datetime(2026, 3, 9, 12, 0, tzinfo=UTC)


def add(store: Store, number: int) -> int:
    return journal.append(store, cuff="C0:FF:EE:00:00:01", characteristic=0x2A35,
                          value=number.to_bytes(2, "big") * 5, arrived_at=NOON, source="virtual").payload  # fmt: skip


def add_many(store: Store) -> None:
    for number in range(60_000):
        add(store, number)


@pytest.fixture
def path(tmp_path: Path) -> Path:
    """A store with a few hundred payloads, closed."""
    path = tmp_path / "home" / "store.db"
    with open_store(path) as store:
        for number in range(300):
            add(store, number)
    return path


def refusal(path: Path, **how: bool) -> StoreError:
    with pytest.raises(StoreError) as caught:
        open_store(path, **how).close()
    assert "\n" not in str(caught.value)
    assert str(path) in str(caught.value)
    return caught.value


def test_only_the_owner_may_look(tmp_path: Path) -> None:
    old = os.umask(0)
    try:
        path = tmp_path / "new" / "store.db"
        with open_store(path) as store:
            add(store, 1)
            modes = {file.name: stat.S_IMODE(file.stat().st_mode) for file in path.parent.iterdir()}
    finally:
        os.umask(old)
    assert modes == {"store.db": 0o600, "store.db-wal": 0o600, "store.db-shm": 0o600, "store.db.writers": 0o600}
    assert stat.S_IMODE(path.parent.stat().st_mode) == 0o700


def test_every_commit_is_durable(path: Path) -> None:
    with open_store(path) as store:
        # SQLite documentation, "PRAGMA synchronous": 2 is FULL; in WAL mode it syncs the log after each commit.
        assert store.scalar("PRAGMA synchronous") == 2
        assert store.scalar("PRAGMA journal_mode") == "wal"
        assert store.scalar("PRAGMA foreign_keys") == 1


def test_schema_version_counts_the_steps() -> None:
    assert len(STEPS) == schema_steps.VERSION
    assert [name for name, _ in STEPS] == sorted(name for name, _ in STEPS)


def test_a_payload_is_never_changed(path: Path) -> None:
    with open_store(path) as store, pytest.raises(StoreError, match="never changed"):
        store.query("UPDATE payload SET value = x'00'")


def test_none_there(tmp_path: Path) -> None:
    assert refusal(tmp_path / "no.db", create=False).kind == "missing"
    assert refusal(tmp_path / "no.db", read_only=True).kind == "missing"


@pytest.mark.parametrize("content", [b"Dear diary, 128 over 84.\n" * 200, b"SQLite format 3\x00" + b"\xff" * 5000])
def test_not_a_store_at_all(tmp_path: Path, content: bytes) -> None:
    path = tmp_path / "letter.db"
    path.write_bytes(content)
    assert refusal(path).kind in ("foreign", "damaged")
    assert path.read_bytes() == content


def test_another_programs_database(tmp_path: Path) -> None:
    path = tmp_path / "other.db"
    with sqlite3.connect(path) as other:
        other.execute("CREATE TABLE recipes (name TEXT)")
    other.close()
    assert refusal(path).kind == "foreign"
    assert refusal(tmp_path).kind == "foreign"


def test_made_by_a_newer_version(path: Path) -> None:
    with sqlite3.connect(path) as newer:
        newer.execute(f"PRAGMA user_version={schema_steps.VERSION + 1}")
    newer.close()
    error = refusal(path)
    assert error.kind == "newer"
    assert "update quietcuff" in str(error)


def test_damaged_page(path: Path) -> None:
    octets = bytearray(path.read_bytes())
    for page in range(3, len(octets) // 4096):
        octets[page * 4096 + 100 : page * 4096 + 300] = b"\xa5" * 200
    path.write_bytes(octets)
    error = refusal(path, check=True)
    assert error.kind == "damaged"
    assert "keep this file" in str(error)
    assert path.read_bytes() == octets


def test_a_backup_is_private_and_overwrites_nothing(path: Path) -> None:
    with open_store(path) as store:
        good = upkeep.backup_path(path, NOON)
        upkeep.backup_to(store, good)
        with pytest.raises(StoreError, match="overwrites nothing"):
            upkeep.backup_to(store, good)
    assert stat.S_IMODE(good.stat().st_mode) == 0o600
    assert good.read_bytes()[18:20] == b"\1\1", "no write-ahead log goes with it: SQLite file format, 1.3"
    with open_store(good, read_only=True) as copy:
        assert journal.counts(copy).payloads == 300


def test_a_backup_tells_how_far_it_is(path: Path) -> None:
    told: list[tuple[int, int]] = []
    with open_store(path) as store:
        store.query("CREATE TABLE filler AS SELECT zeroblob(20000000) AS octets")
        upkeep.backup_to(store, upkeep.backup_path(path, NOON), lambda done, whole: told.append((done, whole)))
    (whole,) = {whole for _, whole in told}
    assert len(told) > 2
    assert [done for done, _ in told] == sorted(done for done, _ in told)
    assert 0 < told[0][0] < whole == told[-1][0]


def test_locked_by_another_program(path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(opening, "BUSY_TIMEOUT_MS", 50)
    holder = sqlite3.connect(path, isolation_level=None)
    holder.execute("BEGIN IMMEDIATE")
    try:
        with open_store(path) as store:
            with pytest.raises(StoreError) as caught:
                add(store, 1)
            assert caught.value.kind == "locked"
            assert journal.counts(store).payloads == 300  # reading goes on
            holder.execute("ROLLBACK")
            add(store, 1)
    finally:
        holder.close()


def test_disk_full(path: Path) -> None:
    """The file may not grow: as on a full disk, nothing that was stored is lost, and it goes on when there is room."""
    with open_store(path) as store:
        upkeep.checkpoint(store)
        signal_free = _limit(path.stat().st_size + 8192)
        try:
            with pytest.raises(StoreError) as caught:
                add_many(store)
            assert caught.value.kind in ("full", "other")
        finally:
            _unlimit(signal_free)
        before = journal.counts(store).payloads
        assert before > 300
        add(store, 1)
        assert journal.counts(store).payloads == before + 1
        assert not upkeep.integrity(store)


def _limit(size: int) -> object:
    old = signal.signal(signal.SIGXFSZ, signal.SIG_IGN)
    resource.setrlimit(resource.RLIMIT_FSIZE, (size, resource.RLIM_INFINITY))
    return old


def _unlimit(old: object) -> None:
    resource.setrlimit(resource.RLIMIT_FSIZE, (resource.RLIM_INFINITY, resource.RLIM_INFINITY))
    signal.signal(signal.SIGXFSZ, old)  # type: ignore[arg-type]


@pytest.mark.system
@pytest.mark.skipif(os.geteuid() != 0 or shutil.which("mount") is None, reason="mounting needs root")
def test_really_full_and_really_read_only(tmp_path: Path, path: Path) -> None:
    """On a small file system of its own: first full, then mounted read-only."""
    small = tmp_path / "small"
    small.mkdir()
    if subprocess.run(["mount", "-t", "tmpfs", "-o", "size=1m", "tmpfs", str(small)], capture_output=True).returncode:
        pytest.skip("mounting is not allowed here")
    try:
        with open_store(small / "store.db") as store:
            with pytest.raises(StoreError) as caught:
                add_many(store)
            assert caught.value.kind == "full"
            assert "disk is full" in str(caught.value)
            kept = journal.counts(store).payloads
            assert kept
        subprocess.run(["mount", "-o", "remount,ro", str(small)], check=True)
        with open_store(small / "store.db", read_only=True) as store:
            assert journal.counts(store).payloads == kept
            assert list(readings.select(store)) == []
        with open_store(small / "store.db") as store, pytest.raises(StoreError) as caught:
            add(store, 1)
        assert caught.value.kind == "read-only"
    finally:
        subprocess.run(["umount", str(small)], check=True)


def test_two_openers_make_one_store(tmp_path: Path) -> None:
    path = tmp_path / "store.db"
    code = f"from pathlib import Path; from collector.store import open_store; open_store(Path({str(path)!r})).close()"
    both = [subprocess.Popen([sys.executable, "-c", code], stderr=subprocess.PIPE) for _ in range(4)]
    for one in both:
        _, words = one.communicate()
        assert (one.returncode, words) == (0, b"")
    with open_store(path) as store:
        assert store.scalar("SELECT count(*) FROM station") == 1
        assert not upkeep.integrity(store)


def test_a_refusal_without_a_wait_is_waited_for(tmp_path: Path) -> None:
    """Seen on a busy machine: of four that made one store, one was told that another program held it."""
    path = tmp_path / "store.db"
    with closing(sqlite3.connect(path, isolation_level=None, check_same_thread=False)) as first:
        first.execute("BEGIN EXCLUSIVE")
        with closing(sqlite3.connect(path, isolation_level=None, timeout=0)) as second:
            with pytest.raises(sqlite3.OperationalError, match="locked"):
                schema_steps.keep_a_log(second, wait_s=0)
            leaving = Timer(0.05, lambda: first.execute("ROLLBACK"))
            leaving.start()
            schema_steps.keep_a_log(second)
            leaving.join()
            assert second.execute("PRAGMA journal_mode").fetchone() == ("wal",)


def test_it_can_be_told_when_readings_and_journal_differ(path: Path) -> None:
    from collector import intake

    with open_store(path) as store:
        intake.catch_up(store)
        count = store.scalar("SELECT count(*) FROM reading")
        assert sightings.miscounted(store) == 0 < count
        store.query("UPDATE reading SET sightings = sightings + 1")
        assert sightings.miscounted(store) == count
        assert upkeep.integrity(store) == []  # the file is sound: a rebuild mends this
        intake.rebuild(store)
        assert sightings.miscounted(store) == 0
        assert upkeep.checkpoint(store)
        assert path.with_name("store.db-wal").stat().st_size == 0


@pytest.mark.skipif(not Path("/proc/self/fd").exists(), reason="open files are told by /proc")
def test_an_error_that_somebody_keeps_holds_no_file_open(path: Path) -> None:
    with open_store(path) as store:
        add(store, 1)
        with pytest.raises(StoreError) as caught:
            store.query("INSERT INTO payload SELECT * FROM payload")
        with pytest.raises(StoreError) as fetched:
            store.query("SELECT abs(column1) FROM (VALUES (1), (-9223372036854775808))").fetchall()
    assert caught.value
    assert fetched.value
    held = [target for one in Path("/proc/self/fd").iterdir() if (target := _target(one)).startswith(str(path))]
    assert held == []


def _target(descriptor: Path) -> str:
    try:
        return os.readlink(descriptor)
    except FileNotFoundError:
        return ""


def test_in_a_transaction_no_more_room_is_taken_that_could_not_be_given_back(tmp_path: Path) -> None:
    """Nor can it be, once there is a table for the time being: a correction after a merge was refused."""
    with open_store(tmp_path / "store.db") as store:
        before = [store.scalar(f"PRAGMA {name}") for name in ("cache_size", "temp_store")]
        store.query("CREATE TEMP TABLE meanwhile (id INTEGER)")
        with store.transaction(), store.roomy():
            store.query("INSERT INTO meanwhile VALUES (1)")
        assert [store.scalar(f"PRAGMA {name}") for name in ("cache_size", "temp_store")] == before


@pytest.mark.parametrize("block", ["transaction", "roomy"])
def test_a_block_that_ctrl_c_left_open_says_nothing_once_the_store_is_closed(tmp_path: Path, block: str) -> None:
    """Seen in `rebuild`, one of 2,000: it came between a block's beginning and what would have ended it."""
    store = open_store(tmp_path / "quietcuff.db")
    left_open = getattr(store, block)()
    left_open.__enter__()
    store.close()
    left_open.gen.close()  # as when nobody refers to it any more


def test_ctrl_c_just_as_a_transaction_begins_is_no_trouble_of_the_store(tmp_path: Path) -> None:
    """Seen in `merge`, one of 200: 'temporary storage cannot be changed from within a transaction', exit code 1."""

    class Interrupted:
        def __init__(self, connection: sqlite3.Connection) -> None:
            self.connection = connection

        def execute(self, sql: str) -> sqlite3.Cursor:
            done = self.connection.execute(sql)
            if sql == "BEGIN IMMEDIATE":
                raise KeyboardInterrupt
            return done

        def __getattr__(self, name: str) -> object:
            return getattr(self.connection, name)

    with open_store(tmp_path / "quietcuff.db") as store:
        store.connection = cast(sqlite3.Connection, Interrupted(store.connection))
        with pytest.raises(KeyboardInterrupt), store.roomy(), store.transaction():
            pass
        assert not store.connection.in_transaction
        store.connection.execute("BEGIN")  # as where it comes before the block itself has begun
        with pytest.raises(KeyboardInterrupt), store.roomy():
            raise KeyboardInterrupt


def test_an_interrupt_between_two_steps_of_the_schema_leaves_nothing_to_be_ended_later(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Ended once the connection was closed, a library's open block told a traceback (3 of some 1,700 signals)."""
    told: list[object] = []
    monkeypatch.setattr(sys, "unraisablehook", told.append)
    atomic = Database.atomic

    class Interrupted:
        def __init__(self, database: Database) -> None:
            self.block = atomic(database)

        def __enter__(self) -> Database:
            return self.block.__enter__()

        def __exit__(self, *_: object) -> None:
            raise KeyboardInterrupt

    monkeypatch.setattr(Database, "atomic", lambda database: Interrupted(database))
    with pytest.raises(KeyboardInterrupt):
        open_store(tmp_path / "store.db")
    gc.collect()
    assert told == []

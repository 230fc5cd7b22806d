"""Backups are whole while writing goes on, verified, few; a restore keeps what stood there, sound or damaged."""

import os
import sqlite3
import stat
import threading
from collections.abc import Callable
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest

from collector.service import backups, sealing
from collector.service.backups import BackupError
from collector.service.lock import AlreadyListening, only_listener
from collector.service.sealing import SealError
from collector.store import conditions, journal
from collector.store.database import open_store
from collector.store.errors import StoreError

NIGHT = datetime(2031, 3, 4, 3, 15, tzinfo=UTC)
CUFF = "C0:FF:EE:00:00:01"


def append(path: Path, *values: int) -> None:
    with open_store(path) as store:
        for value in values:
            journal.append(store, cuff=CUFF, characteristic=0x2A35, value=value.to_bytes(4, "little") * 100,
                           arrived_at=NIGHT + timedelta(minutes=value), source="virtual")


def values(path: Path) -> list[int]:
    with open_store(path, create=False, read_only=True) as store:
        return [int.from_bytes(value[:4], "little")
                for (value,) in store.query("SELECT value FROM payload ORDER BY id")]


def damage(path: Path) -> None:
    """Overwrite the middle pages, as a worn card might."""
    with open_store(path) as store:
        store.query("PRAGMA wal_checkpoint(TRUNCATE)").fetchall()
    size = path.stat().st_size
    with path.open("r+b") as file:
        for page in range(2, size // 4096, 3):
            file.seek(page * 4096)
            file.write(b"\xa5" * 4096)


@pytest.fixture
def store(tmp_path: Path) -> Path:
    path = tmp_path / "var" / "quietcuff.db"
    append(path, *range(50))
    return path


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    return tmp_path / "stick" / "copies"


def test_a_backup_holds_everything_and_is_private(store: Path, folder: Path) -> None:
    made = backups.take(store, folder, keep=3, now=NIGHT)
    assert made.path == folder / "quietcuff-20310304-031500.db"
    assert values(made.path) == list(range(50))
    assert stat.S_IMODE(made.path.stat().st_mode) == 0o600
    assert stat.S_IMODE(folder.stat().st_mode) == 0o700
    assert made == backups.every(folder, store)[0]


def test_a_backup_is_whole_while_the_listener_writes(store: Path, folder: Path) -> None:
    started, stop = threading.Event(), threading.Event()

    def write() -> None:
        value = 50
        while not stop.is_set():
            append(store, value)
            value += 1
            started.set()

    writer = threading.Thread(target=write)
    writer.start()
    started.wait(20)
    try:
        found = [values(backups.take(store, folder, keep=9, now=NIGHT + timedelta(days=day)).path)
                 for day in range(5)]
    finally:
        stop.set()
        writer.join()
    for copy in found:
        assert copy == list(range(len(copy)))
        assert len(copy) >= 50


def test_only_the_newest_stay_and_other_files_are_left_alone(store: Path, folder: Path) -> None:
    folder.mkdir(parents=True)
    foreign = [folder / name for name in ("photo.jpg", "other-20310101-000000.db", "quietcuff-2031.db")]
    for path in foreign:
        path.write_text("not ours")
    for day in range(6):
        backups.take(store, folder, keep=4, now=NIGHT + timedelta(days=day))
    assert [backup.made_at for backup in backups.every(folder, store)] == [
        NIGHT + timedelta(days=day) for day in range(2, 6)]
    assert all(path.exists() for path in foreign)


def test_one_made_by_a_clock_that_was_never_set_stays_all_the_same(store: Path, folder: Path) -> None:
    right = backups.take(store, folder, 1, now=NIGHT)
    lost = backups.take(store, folder, 1, now=datetime(1970, 1, 1, 3, 15, tzinfo=UTC))
    assert [one.path for one in backups.every(folder, store)] == [lost.path, right.path]
    later = backups.take(store, folder, 1, now=NIGHT + timedelta(days=1))
    assert [one.path for one in backups.every(folder, store)] == [later.path]


def test_a_failing_backup_drops_no_older_one(store: Path, folder: Path) -> None:
    for day in range(2):
        backups.take(store, folder, keep=2, now=NIGHT + timedelta(days=day))
    damage(store)
    with pytest.raises(StoreError) as caught:
        backups.take(store, folder, keep=2, now=NIGHT + timedelta(days=2))
    assert caught.value.kind == "damaged"
    assert len(backups.every(folder, store)) == 2
    assert len(list(folder.iterdir())) == 2, "nothing half made is left"


def test_a_folder_that_cannot_be_written_is_told_in_one_line(store: Path, tmp_path: Path) -> None:
    (tmp_path / "stick").write_text("a file where the folder should be")
    with pytest.raises((BackupError, StoreError), match="stick") as caught:
        backups.take(store, tmp_path / "stick", keep=2)
    assert "\n" not in str(caught.value)


def test_the_same_second_twice_overwrites_nothing(store: Path, folder: Path) -> None:
    backups.take(store, folder, keep=3, now=NIGHT)
    with pytest.raises(BackupError, match="overwrites nothing"):
        backups.take(store, folder, keep=3, now=NIGHT)


def test_restore_puts_the_backup_in_place_and_keeps_the_present_store(store: Path, folder: Path) -> None:
    made = backups.take(store, folder, keep=3, now=NIGHT)
    append(store, 50, 51)
    done = backups.restore(store, made, now=NIGHT + timedelta(days=1))
    assert values(store) == list(range(50))
    assert done.kept
    assert values(done.kept) == list(range(52))
    assert done.contents.payloads == 50
    assert done.present
    assert done.present.newest == NIGHT + timedelta(minutes=51)
    append(store, 60)  # and it works on
    assert values(store)[-1] == 60
    with sqlite3.connect(store) as connection:
        assert connection.execute("PRAGMA journal_mode").fetchone() == ("wal",)
    connection.close()


def test_a_dry_run_changes_nothing(store: Path, folder: Path, tmp_path: Path) -> None:
    made = backups.take(store, folder, keep=3, now=NIGHT)
    append(store, 50)

    def everything() -> dict[Path, bytes]:
        return {path: path.read_bytes() for path in tmp_path.rglob("*")
                if path.is_file() and path.suffix != ".lock"}

    before = everything()
    plan = backups.restore(store, made, dry_run=True)
    assert plan.contents.payloads == 50
    assert plan.present
    assert plan.present.payloads == 51
    assert everything() == before


def test_a_damaged_store_is_kept_and_the_last_good_backup_offered(store: Path, folder: Path) -> None:
    good = backups.take(store, folder, keep=9, now=NIGHT)
    worse = backups.take(store, folder, keep=9, now=NIGHT + timedelta(days=1))
    damage(worse.path)
    damage(store)
    broken = store.read_bytes()
    assert backups.last_good(folder, store) == good
    assert good.path.name in backups.offer(folder, store)
    done = backups.restore(store, good, now=NIGHT + timedelta(days=2))
    assert done.present is None
    assert done.kept
    assert done.kept.read_bytes() == broken
    assert values(store) == list(range(50))


def test_a_damaged_stores_log_goes_with_it(store: Path, folder: Path) -> None:
    """Left beside the restored store, SQLite would play it in ("Write-Ahead Logging", Recovery)."""
    good = backups.take(store, folder, keep=9, now=NIGHT)
    held = sqlite3.connect(store)  # keeps the log from being taken in
    held.execute("SELECT count(*) FROM payload").fetchone()
    append(store, 50)
    with store.open("r+b") as file:
        file.seek(4096 * 2)
        file.write(b"\xa5" * 4096 * 8)
    log = store.with_name("quietcuff.db-wal").read_bytes()
    done = backups.restore(store, good, now=NIGHT)
    held.close()
    assert done.kept
    assert done.kept.with_name(done.kept.name + "-wal").read_bytes() == log
    assert values(store) == list(range(50))


def test_what_is_not_sound_is_never_put_in_place(store: Path, folder: Path) -> None:
    made = backups.take(store, folder, keep=3, now=NIGHT)
    damage(made.path)
    (folder / "letter.db").write_text("Dear reader, " * 400)
    for backup in (made, backups.find(str(folder / "letter.db"), folder, store)):
        with pytest.raises(StoreError):
            backups.restore(store, backup)
    assert values(store) == list(range(50))
    assert not list(store.parent.glob("*restoring*"))


def test_nothing_is_restored_under_a_listener(store: Path, folder: Path) -> None:
    made = backups.take(store, folder, keep=3, now=NIGHT)
    with only_listener(store), pytest.raises(AlreadyListening):
        backups.restore(store, made)
    assert values(store) == list(range(50))


def test_restore_where_no_store_is(store: Path, folder: Path, tmp_path: Path) -> None:
    made = backups.take(store, folder, keep=3, now=NIGHT)
    new = tmp_path / "elsewhere" / "quietcuff.db"
    done = backups.restore(new, made)
    assert done.kept is None
    assert values(new) == list(range(50))
    assert stat.S_IMODE(new.stat().st_mode) == 0o600


def test_a_backup_of_a_newer_quietcuff_is_refused(store: Path, folder: Path) -> None:
    made = backups.take(store, folder, keep=3, now=NIGHT)
    with sqlite3.connect(made.path) as connection:
        connection.execute("PRAGMA user_version=9999")
    connection.close()
    with pytest.raises(StoreError, match="newer") as caught:
        backups.restore(store, made)
    assert caught.value.kind == "newer"


def test_looking_into_an_old_backup_leaves_it_as_it_is(store: Path, folder: Path) -> None:
    made = backups.take(store, folder, keep=3, now=NIGHT)
    with sqlite3.connect(made.path) as connection:
        connection.execute("PRAGMA user_version=3")
    connection.close()
    before = made.path.read_bytes()
    backups.look_into(made.path)
    assert made.path.read_bytes() == before
    assert [path.name for path in folder.iterdir()] == [made.path.name]


@pytest.fixture
def keys(tmp_path: Path) -> tuple[str, Path]:
    """A public key and the file of its private one, as age-keygen writes it."""
    import pyrage

    identity = pyrage.x25519.Identity.generate()
    file = tmp_path / "key.txt"
    file.write_text(f"# created: 2031-03-04\n# public key: {identity.to_public()}\n{identity}\n")
    return str(identity.to_public()), file


def test_a_sealed_backup_opens_with_its_key_only(store: Path, folder: Path, keys: tuple[str, Path],
                                                 tmp_path: Path) -> None:
    import pyrage

    public, private = keys
    made = backups.take(store, folder, keep=3, recipient=public, now=NIGHT)
    assert made.sealed
    # The header that every age file begins with: age-encryption.org/v1, "Encrypted file format".
    assert made.path.read_bytes().startswith(b"age-encryption.org/v1\n-> X25519 ")
    assert stat.S_IMODE(made.path.stat().st_mode) == 0o600
    assert not list(tmp_path.rglob("*.unsealed"))
    append(store, 50)
    with pytest.raises(SealError, match="--identity"):
        backups.restore(store, made)
    other = tmp_path / "other.txt"
    other.write_text(f"{pyrage.x25519.Identity.generate()}\n")
    with pytest.raises(SealError, match="does not open it"):
        backups.restore(store, made, other)
    assert len(values(store)) == 51
    backups.restore(store, made, private)
    assert values(store) == list(range(50))


@pytest.mark.parametrize("change", ["cut", "flipped"])
def test_a_tampered_sealed_backup_is_refused(store: Path, folder: Path, keys: tuple[str, Path], change: str) -> None:
    public, private = keys
    made = backups.take(store, folder, keep=3, recipient=public, now=NIGHT)
    octets = bytearray(made.path.read_bytes())
    if change == "cut":
        del octets[-5000:]
    else:
        octets[len(octets) // 2] ^= 1
    made.path.write_bytes(octets)
    with pytest.raises(SealError):
        backups.restore(store, made, private)
    assert values(store) == list(range(50))


@pytest.mark.parametrize(("text", "word"), [
    ("AGE-SECRET-KEY-1QQQ", "private"), ("agent", "not an age"), ("age1", None), ("ssh-ed25519 AAAA", None)])
def test_a_key_is_looked_at_before_it_is_needed(text: str, word: str | None) -> None:
    problem = sealing.key_problem(text)
    assert problem is None if word is None else word in str(problem)


def test_a_key_that_does_not_work_stops_the_backup(store: Path, folder: Path) -> None:
    with pytest.raises(SealError, match="public key"):
        backups.take(store, folder, keep=3, recipient="age1notakey")
    assert not folder.exists()


def test_the_daily_job_tells_check_until_it_works_again(store: Path, folder: Path) -> None:
    def told() -> list[tuple[str, str]]:
        with open_store(store, read_only=True) as opened:
            return [(condition.topic, condition.text) for condition in conditions.current(opened)]

    folder.parent.mkdir()
    folder.write_text("in the way")
    work: Callable[[], str | None] = backups.daily(store, folder, keep=2)
    with pytest.raises((BackupError, StoreError)):
        work()
    ((topic, text),) = told()
    assert topic == "backup"
    assert str(folder) in text
    os.unlink(folder)
    assert "verified" in str(work())
    assert told() == []


def test_find_takes_a_name_a_path_or_the_last(store: Path, folder: Path, tmp_path: Path) -> None:
    made = [backups.take(store, folder, keep=9, now=NIGHT + timedelta(days=day)) for day in range(2)]
    assert backups.find("last", folder, store) == made[1]
    assert backups.find(made[0].path.name, folder, store) == made[0]
    assert backups.find(str(made[0].path), folder, store) == made[0]
    with pytest.raises(BackupError, match="backup list"):
        backups.find("nothing", folder, store)


@pytest.mark.skipif(os.geteuid() != 0, reason="only root can give files away")
def test_what_root_makes_belongs_to_the_stores_owner(store: Path, folder: Path) -> None:
    """Else the service's own daily backup could not write there any more."""
    os.chown(store, 12345, 12346)
    made = backups.take(store, folder, keep=3, now=NIGHT)
    assert {(path.stat().st_uid, path.stat().st_gid) for path in (made.path, folder)} == {(12345, 12346)}
    backups.restore(store, made)
    assert (store.stat().st_uid, store.stat().st_gid) == (12345, 12346)


def test_a_folder_that_cannot_be_read_is_one_line_to_whoever_asks(store: Path, folder: Path) -> None:
    folder.parent.mkdir()
    folder.write_text("a file, where the stick was")
    with pytest.raises(BackupError, match=r"the backups cannot be read \(Not a directory\)"):
        backups.every(folder, store)
    assert backups.offer(folder, store).startswith(f"{folder}: the backups cannot be read")


def test_what_is_offered_where_there_is_none_a_sealed_one_or_only_damaged_ones(
        store: Path, folder: Path, keys: tuple[str, Path]) -> None:
    assert backups.offer(folder, store).startswith(f"there is no sound backup in {folder}; keep {store} as it is")
    damaged = backups.take(store, folder, 9, now=NIGHT - timedelta(hours=1)).path
    damage(damaged)
    assert backups.last_good(folder, store) is None
    sealed = backups.take(store, folder, 9, keys[0], now=NIGHT)
    assert backups.last_good(folder, store) == sealed
    assert "sealed: its private key is needed" in backups.offer(folder, store)


def test_a_copy_that_is_not_sound_counts_for_nothing_and_costs_no_older_one(
        store: Path, folder: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    first = backups.take(store, folder, 1, now=NIGHT - timedelta(hours=1))

    def unsound(path: Path) -> None:
        raise StoreError(f"{path}: not sound", "damaged")

    monkeypatch.setattr(backups, "look_into", unsound)
    with pytest.raises(StoreError, match="not sound"):
        backups.take(store, folder, 1, now=NIGHT)
    assert [one.path for one in backups.every(folder, store)] == [first.path]
    assert sorted(path.name for path in folder.iterdir()) == [first.path.name]


def test_without_its_library_sealing_says_what_to_install(store: Path, folder: Path, keys: tuple[str, Path],
                                                         monkeypatch: pytest.MonkeyPatch) -> None:
    import sys

    monkeypatch.setitem(sys.modules, "pyrage", None)
    with pytest.raises(SealError, match=r"pip install 'quietcuff\[encrypt\]'"):
        backups.take(store, folder, 3, keys[0])
    assert not folder.exists() or not any(folder.iterdir()), "nothing unsealed instead"


@pytest.mark.parametrize(("content", "words"), [
    (None, "the private key cannot be read"), (b"\xff\xfe", "the private key cannot be read"),
    (b"no key at all\n", "holds no private key of age or SSH")])
def test_a_private_key_that_is_none_is_one_line(store: Path, folder: Path, keys: tuple[str, Path], tmp_path: Path,
                                                content: bytes | None, words: str) -> None:
    sealed = backups.take(store, folder, 3, keys[0])
    identity = tmp_path / "identity"
    if content is not None:
        identity.write_bytes(content)
    before = store.read_bytes()
    with pytest.raises(SealError, match=words):
        backups.restore(store, sealed, identity)
    assert store.read_bytes() == before
    assert not store.with_name(store.name + ".restoring").exists()


def test_nothing_unsealed_ever_reaches_the_folder(store: Path, folder: Path, keys: tuple[str, Path],
                                                  monkeypatch: pytest.MonkeyPatch) -> None:
    seen: list[tuple[Path, list[Path]]] = []
    look = backups.look_into

    def looking(path: Path) -> backups.Contents:
        seen.append((path.parent, list(folder.iterdir())))
        return look(path)

    monkeypatch.setattr(backups, "look_into", looking)
    made = backups.take(store, folder, 3, keys[0])
    assert seen == [(store.parent, [])], "written and looked through beside the store"
    assert list(folder.iterdir()) == [made.path]
    assert [path.name for path in store.parent.iterdir() if "unsealed" in path.name] == []

"""Backups are whole while writing goes on, verified, few; a restore keeps what stood there, sound or damaged."""

import os
import sqlite3
import stat
import threading
from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest
from copies import NIGHT, append, damage, values

from collector.service.jobs import backups, restoring
from collector.service.jobs.backups import BackupError
from collector.store import conditions
from collector.store.errors import StoreError
from collector.store.opening import open_store


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
        found = [values(backups.take(store, folder, keep=9, now=NIGHT + timedelta(days=day)).path) for day in range(5)]
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
        NIGHT + timedelta(days=day) for day in range(2, 6)
    ]
    assert all(path.exists() for path in foreign)


def test_one_made_by_a_clock_that_was_never_set_stays_all_the_same(store: Path, folder: Path) -> None:
    backups.take(store, folder, 1, now=NIGHT)
    lost = backups.take(store, folder, 1, now=datetime(1970, 1, 1, 3, 15, tzinfo=UTC))
    assert [one.path for one in backups.every(folder, store)] == [lost.path]
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


def test_the_same_second_again_takes_the_next_name(store: Path, folder: Path) -> None:
    made = [backups.take(store, folder, keep=3, now=NIGHT).path for _ in range(4)]
    assert [one.name for one in made] == [f"quietcuff-20310304-031500{which}.db" for which in ("", "-2", "-3", "-4")]
    assert [one.path for one in backups.every(folder, store)] == made[1:]
    assert backups.find("last", folder, store).path == made[-1]


@pytest.mark.parametrize("sealed", [False, True])
def test_what_another_station_is_writing_in_the_folder_stays_its_own(
    store: Path, folder: Path, tmp_path: Path, sealed: bool
) -> None:
    """Seen: of two stations that share a folder the one took the other's half copy away, or wrote into it."""
    pyrage = pytest.importorskip("pyrage")
    key = str(pyrage.x25519.Identity.generate().to_public()) if sealed else None
    shared = tmp_path / "stick"
    shared.mkdir()
    ending = ".age" if sealed else ""
    half = shared / f"quietcuff-20310304-031500.db{ending}.part"
    half.write_bytes(b"half of another station's")
    made = backups.take(store, shared, keep=1, recipient=key, now=NIGHT).path
    assert made.name == f"quietcuff-20310304-031500-2.db{ending}"
    assert half.read_bytes() == b"half of another station's"
    later = backups.take(store, shared, keep=1, recipient=key, now=NIGHT + timedelta(days=1)).path
    assert set(shared.iterdir()) == {half, later}, "its own older one has gone"


def test_its_own_half_copy_is_taken_away_also_in_a_shared_folder(
    store: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    shared = tmp_path / "stick"
    with monkeypatch.context() as killed:
        killed.setattr(backups.upkeep, "backup_to", lambda *_: 1 / 0)
        with pytest.raises(ZeroDivisionError):
            backups.take(store, shared, keep=1, now=NIGHT)
    (half,) = shared.iterdir()
    assert list(backups.unfinished(store, shared)) == [half]
    made = backups.take(store, shared, keep=1, now=NIGHT + timedelta(days=1)).path
    assert list(shared.iterdir()) == [made]


def test_what_sqlite_keeps_beside_a_half_copy_goes_with_it(store: Path, folder: Path) -> None:
    """Seen: on a disk that was full just before the copy's last step its log stayed there."""
    folder.mkdir(parents=True)
    beside = [folder / f"quietcuff-20310304-031500.db.part{suffix}" for suffix in ("-wal", "-shm", "-journal")]

    def full(done: int, whole: int) -> None:
        for path in beside:
            path.write_bytes(b"left")
        raise OSError(28, "No space left on device")

    with pytest.raises(StoreError, match="No space left"):
        backups.take(store, folder, keep=3, now=NIGHT, progress=full)
    assert list(folder.iterdir()) == []


def test_looking_into_an_old_backup_leaves_it_as_it_is(store: Path, folder: Path) -> None:
    made = backups.take(store, folder, keep=3, now=NIGHT)
    with sqlite3.connect(made.path) as connection:
        connection.execute("PRAGMA user_version=3")
    connection.close()
    before = made.path.read_bytes()
    backups.look_into(made.path)
    assert made.path.read_bytes() == before
    assert [path.name for path in folder.iterdir()] == [made.path.name]


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


@pytest.mark.system
@pytest.mark.skipif(os.geteuid() != 0, reason="only root can give files away")
def test_what_root_makes_belongs_to_the_stores_owner(store: Path, folder: Path) -> None:
    """Else the service's own daily backup could not write there any more."""
    os.chown(store, 12345, 12346)
    made = backups.take(store, folder, keep=3, now=NIGHT)
    assert {(path.stat().st_uid, path.stat().st_gid) for path in (made.path, folder)} == {(12345, 12346)}
    restoring.restore(store, made)
    assert (store.stat().st_uid, store.stat().st_gid) == (12345, 12346)


def test_a_folder_that_cannot_be_read_is_one_line_to_whoever_asks(store: Path, folder: Path) -> None:
    folder.parent.mkdir()
    folder.write_text("a file, where the stick was")
    with pytest.raises(BackupError, match=r"the backups cannot be read \(Not a directory\)"):
        backups.every(folder, store)
    assert backups.last_backup_hint(folder, store).startswith(f"{folder}: the backups cannot be read")


def test_a_copy_that_is_not_sound_counts_for_nothing_and_costs_no_older_one(
    store: Path, folder: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    first = backups.take(store, folder, 1, now=NIGHT - timedelta(hours=1))

    def unsound(path: Path) -> None:
        raise StoreError(f"{path}: not sound", "damaged")

    monkeypatch.setattr(backups, "look_into", unsound)
    with pytest.raises(StoreError, match="not sound"):
        backups.take(store, folder, 1, now=NIGHT)
    assert [one.path for one in backups.every(folder, store)] == [first.path]
    assert sorted(path.name for path in folder.iterdir()) == [first.path.name]


def test_backups_are_in_the_order_they_were_made_whatever_the_clock_showed(store: Path, folder: Path) -> None:
    years = (2031, 2041, 1970, 2032)
    made = [backups.take(store, folder, keep=3, now=datetime(year, 3, 4, tzinfo=UTC)).path for year in years]
    assert [one.path for one in backups.every(folder, store)] == made[1:]
    assert backups.find("last", folder, store).path == made[-1]
    newest = backups.take(store, folder, keep=2, now=datetime(2032, 3, 5, tzinfo=UTC))
    assert [one.path for one in backups.every(folder, store)] == [made[-1], newest.path]


def test_two_stores_that_share_a_folder_leave_each_others_backups_alone(
    store: Path, folder: Path, tmp_path: Path
) -> None:
    """Seen: a stick that went from station to station lost all backups of the one to the daily backups of the other."""
    other = tmp_path / "other station" / store.name
    append(other, 7)
    ours = [backups.take(store, folder, keep=2, now=NIGHT + timedelta(days=day)).path for day in range(2)]
    backups.take(store, tmp_path / "elsewhere", keep=2, now=NIGHT + timedelta(days=3))
    for day in range(4, 9):
        backups.take(other, folder, keep=2, now=NIGHT + timedelta(days=day))
    theirs = {one.path for one in backups.every(folder, other)} - set(ours)
    assert len(theirs) == 2
    assert all(path.exists() for path in ours)
    assert backups.find("last", folder, store).path == ours[-1], "its own, however new the other's are"
    backups.take(store, folder, keep=2, now=NIGHT + timedelta(days=9))
    assert not ours[0].exists()
    assert {one.path for one in backups.every(folder, store)} >= theirs | {ours[1]}


def test_a_store_whose_name_is_no_text(tmp_path: Path) -> None:
    store = tmp_path / os.fsdecode(b"cuff\xff.db")
    append(store, 1)
    made = [backups.take(store, tmp_path / "copies", keep=1, now=NIGHT + timedelta(days=day)).path for day in range(2)]
    assert backups.find("last", tmp_path / "copies", store).path == made[1]
    assert not made[0].exists()


def test_two_stations_that_back_up_at_once_into_one_folder(store: Path, tmp_path: Path) -> None:
    """Seen: with the same second in their names, of two copies that both were told as made one was there."""
    other, shared = tmp_path / "other station" / store.name, tmp_path / "stick"
    append(other, 7)

    def again_and_again(one: Path) -> list[Path]:
        return [backups.take(one, shared, 3, now=NIGHT).path for _ in range(8)][-3:]

    with ThreadPoolExecutor(2) as both:
        ours, theirs = both.map(again_and_again, (store, other))
    assert set(shared.iterdir()) == {*ours, *theirs}, "each keeps its own last three, and nothing half made stays"
    assert [values(path) for path in (*ours, *theirs)] == [list(range(50))] * 3 + [[7]] * 3

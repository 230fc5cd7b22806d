"""A backup put back: the way back overwrites nothing."""

import sqlite3
import stat
from contextlib import closing
from datetime import timedelta
from pathlib import Path

import pytest
from copies import NIGHT, append, damage, values

from collector.service.checks import store as stored
from collector.service.jobs import backups, restoring
from collector.service.listener_lock import AlreadyListening, only_listener
from collector.store.errors import StoreError
from collector.store.opening import open_store
from collector.store.people import page_devices
from collector.store.people.page_devices import Role


def test_restore_puts_the_backup_in_place_and_keeps_the_present_store(store: Path, folder: Path) -> None:
    made = backups.take(store, folder, keep=3, now=NIGHT)
    append(store, 50, 51)
    done = restoring.restore(store, made, now=NIGHT + timedelta(days=1))
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


def test_a_store_whose_name_looks_like_an_address_is_restored_as_any(
    store: Path, folder: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Some builds of SQLite take `file:…` for an address: another file was made beside it, and stayed."""
    made = backups.take(store, folder, keep=3, now=NIGHT)
    monkeypatch.chdir(store.parent)
    restoring.restore(Path("file:s.db"), made, now=NIGHT + timedelta(days=1))
    assert [one.name for one in store.parent.glob("*.restoring")] == []
    with closing(sqlite3.connect(store.parent / "file:s.db")) as connection:
        assert connection.execute("PRAGMA journal_mode").fetchone() == ("wal",)


def test_two_restores_within_a_second_keep_both_stores(store: Path, folder: Path) -> None:
    made = backups.take(store, folder, keep=3, now=NIGHT)
    append(store, 50)
    first = restoring.restore(store, made, now=NIGHT + timedelta(days=1))
    append(store, 60)
    second = restoring.restore(store, made, now=NIGHT + timedelta(days=1, milliseconds=400))
    third = restoring.restore(store, made, now=NIGHT + timedelta(days=1, milliseconds=800))
    kept = [one.kept for one in (first, second, third)]
    assert [values(one)[50:] for one in kept if one] == [[50], [60], []]


@pytest.mark.parametrize("elsewhere", [False, True])
def test_a_device_that_was_put_out_since_stays_out(
    store: Path, folder: Path, tmp_path: Path, *, elsewhere: bool
) -> None:
    """Put in the place of another machine's store, the backup brings its devices along."""
    with open_store(store) as opened:
        links = [page_devices.invite(opened, None, Role.KEEPER, NIGHT) for _ in range(3)]
        phones = [page_devices.admit(opened, link, "phone", NIGHT) or "" for link in links[:2]]
    made = backups.take(store, folder, keep=3, now=NIGHT)
    with open_store(store) as opened:
        page_devices.revoke(opened, page_devices.every(opened)[0].number, NIGHT)
        assert page_devices.admit(opened, links[2], "used", NIGHT)
    if elsewhere:
        store = tmp_path / "new" / store.name
        append(store, 1)
    restoring.restore(store, made, now=NIGHT + timedelta(days=1))
    with open_store(store) as opened:
        left = [page_devices.device_of(opened, phone, NIGHT) is not None for phone in phones]
        assert sorted(left) == [elsewhere, True]
        assert bool(page_devices.admit(opened, links[2], "again", NIGHT)) == elsewhere


def test_a_dry_run_changes_nothing(store: Path, folder: Path, tmp_path: Path) -> None:
    made = backups.take(store, folder, keep=3, now=NIGHT)
    append(store, 50)

    def everything() -> dict[Path, bytes]:
        return {path: path.read_bytes() for path in tmp_path.rglob("*") if path.is_file() and path.suffix != ".lock"}

    before = everything()
    plan = restoring.restore(store, made, dry_run=True)
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
    assert good.path.name in backups.last_backup_hint(folder, store)
    done = restoring.restore(store, good, now=NIGHT + timedelta(days=2))
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
    done = restoring.restore(store, good, now=NIGHT)
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
            restoring.restore(store, backup)
    assert values(store) == list(range(50))
    assert not list(store.parent.glob("*restoring*"))


def test_nothing_is_restored_under_a_listener(store: Path, folder: Path) -> None:
    made = backups.take(store, folder, keep=3, now=NIGHT)
    with only_listener(store), pytest.raises(AlreadyListening):
        restoring.restore(store, made)
    assert values(store) == list(range(50))


@pytest.mark.parametrize("who", ["a writer whose lock file was tidied away", "another program"])
def test_nothing_is_restored_under_who_holds_no_lock_of_ours(
    store: Path, folder: Path, monkeypatch: pytest.MonkeyPatch, who: str
) -> None:
    """Seen: what a program wrote whose lock file had been removed, or that knows none, went into a file without a
    name."""
    monkeypatch.setattr(restoring, "WAIT_S", 0.01)
    made = backups.take(store, folder, keep=3, now=NIGHT)
    with closing(open_store(store).connection if who.startswith("a writer") else sqlite3.connect(store)) as opened:
        store.with_name("quietcuff.db.writers").unlink()
        opened.execute("SELECT count(*) FROM payload").fetchone()
        with pytest.raises(StoreError, match="has the store open") as caught:
            restoring.restore(store, made)
    assert caught.value.kind == "locked"
    assert sorted(path.name for path in store.parent.glob("*.db")) == ["quietcuff.db"]
    append(store, 50)
    assert restoring.restore(store, made).kept
    assert values(store) == list(range(50))


def test_restore_where_no_store_is(store: Path, folder: Path, tmp_path: Path) -> None:
    made = backups.take(store, folder, keep=3, now=NIGHT)
    new = tmp_path / "elsewhere" / "quietcuff.db"
    done = restoring.restore(new, made)
    assert done.kept is None
    assert values(new) == list(range(50))
    assert stat.S_IMODE(new.stat().st_mode) == 0o600


def test_a_backup_of_a_newer_quietcuff_is_refused(store: Path, folder: Path) -> None:
    made = backups.take(store, folder, keep=3, now=NIGHT)
    with sqlite3.connect(made.path) as connection:
        connection.execute("PRAGMA user_version=9999")
    connection.close()
    with pytest.raises(StoreError, match="newer") as caught:
        restoring.restore(store, made)
    assert caught.value.kind == "newer"


def test_a_file_that_is_no_backup_is_named_as_it_was_given(store: Path, folder: Path, tmp_path: Path) -> None:
    (tmp_path / "letter.txt").write_text("Dear all")
    with pytest.raises(StoreError, match=r"^\S*/letter\.txt: this file is not a quietcuff store"):
        restoring.restore(store, backups.find(str(tmp_path / "letter.txt"), folder, store))


def test_a_store_that_is_in_use_is_no_backup(store: Path, folder: Path, tmp_path: Path) -> None:
    """Its newest readings stand in the log beside it, which a restore would leave out."""
    before = values(store)
    with pytest.raises(backups.BackupError, match="the store itself"):
        restoring.restore(store, backups.find(str(store), folder, store))
    other = tmp_path / "other" / "quietcuff.db"
    with open_store(other) as opened:
        opened.query("INSERT INTO person (uid, name, changed_at) VALUES (x'00', 'mira', 0)")
        with pytest.raises(backups.BackupError, match="store in use"):
            restoring.restore(store, backups.find(str(other), folder, store))
    assert values(store) == before
    assert not list(tmp_path.glob("*before-restore*"))
    assert not list(tmp_path.glob("*.restoring*"))


def test_a_restore_ended_before_its_last_step_leaves_no_second_name(
    store: Path, folder: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Of one file under two names each has its log: what was written by the one was lost, and nobody was told."""
    made = backups.take(store, folder, keep=3, now=NIGHT)

    class Ended(BaseException):
        pass

    def end(*_: object) -> None:
        raise Ended

    with monkeypatch.context() as patch:
        patch.setattr(restoring.os, "rename", end)
        with pytest.raises(Ended):
            restoring.restore(store, made, now=NIGHT + timedelta(days=1))
    (kept,) = store.parent.glob("*-before-restore-*.db")
    assert kept.samefile(store)
    append(store, 50)
    assert not kept.exists()
    assert values(store) == list(range(51))
    elsewhere = store.with_name("copy.db")
    elsewhere.hardlink_to(store)
    told = [one.text for one in stored.named(store)]
    assert "second name" in told[0]

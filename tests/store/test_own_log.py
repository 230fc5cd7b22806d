"""A write-ahead log that lies beside a store and is another's, or of another day: never played in."""

import os
import shutil
from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor
from contextlib import AbstractContextManager
from datetime import UTC, datetime
from hashlib import sha256
from pathlib import Path
from threading import Event
from time import sleep
from typing import Any

import pytest
from fresh import fresh

from collector.service.jobs import backups, restoring
from collector.store import Store, StoreError, journal, open_store, opening, own_log, writers
from collector.store.people import erase, persons

NOON = datetime(2026, 3, 9, 12, 0, tzinfo=UTC)


def add(store: Store, first: int, many: int) -> None:
    for number in range(first, first + many):
        journal.append(store, cuff="C0:FF:EE:00:00:01", characteristic=0x2A35,
                       value=number.to_bytes(2, "big") * 9, arrived_at=NOON, source="virtual")  # fmt: skip


def closed(path: Path, first: int, many: int) -> Path:
    with open_store(path) if path.exists() else fresh(path) as store, store.transaction():
        add(store, first, many)
    return path


def ended(path: Path, work: Callable[[Store], object]) -> Path:
    """As by a power cut: what was done last stands in the log."""
    child = os.fork()
    if not child:
        work(open_store(path))
        os._exit(0)
    os.waitpid(child, 0)
    return path


def cut(path: Path, first: int, many: int) -> Path:
    return ended(path, lambda store: add(store, first, many))


def laid(file: Path, log: Path, folder: Path) -> Path:
    folder.mkdir()
    shutil.copyfile(file, folder / "store.db")
    shutil.copyfile(f"{log}-wal", folder / "store.db-wal")
    return folder / "store.db"


def of_another(folder: Path) -> Path:
    here, there = (cut(closed(folder / name, 0, 50), 50, 60) for name in ("a.db", "b.db"))
    return laid(here, there, folder / "laid")


def later(folder: Path) -> Path:
    """Over a store that a power cut had left, somebody laid a backup by hand."""
    path = closed(folder / "a.db", 0, 400)
    shutil.copyfile(path, folder / "backup.db")
    cut(closed(path, 400, 40), 440, 3)
    return laid(folder / "backup.db", path, folder / "laid")


def earlier(folder: Path) -> Path:
    """Only the store was copied over another, and not its log."""
    path = cut(closed(folder / "a.db", 0, 50), 50, 60)
    shutil.copyfile(f"{path}-wal", folder / "old.db-wal")
    return laid(closed(path, 110, 90), folder / "old.db", folder / "laid")


@pytest.mark.parametrize("odd", [of_another, later, earlier])
def test_a_log_of_another_file_is_told_and_not_played_in(tmp_path: Path, odd: Callable[[Path], Path]) -> None:
    """Seen: another household's rows in the place of this one's, with an integrity check that found nothing."""
    path = odd(tmp_path)
    before = sha256(path.read_bytes()).hexdigest()
    for read_only in (True, False):
        with pytest.raises(StoreError, match=r"store\.db: the log beside it is not its own .* away, but keep it") as no:
            open_store(path, read_only=read_only)
        assert no.value.kind == "foreign log"
        assert "\n" not in str(no.value)
    with pytest.raises(StoreError, match="not its own"), opening.open_as_it_is(path):
        pass
    assert sha256(path.read_bytes()).hexdigest() == before
    path.with_name("store.db-wal").rename(path.with_name("kept"))
    with open_store(path) as store:
        assert store.scalar("SELECT count(*) FROM payload") in (50, 200, 400)


def test_a_restore_keeps_a_store_and_the_log_that_is_not_its_own_as_they_lie(tmp_path: Path) -> None:
    path = of_another(tmp_path)
    octets = [file.read_bytes() for file in (path, path.with_name("store.db-wal"))]
    backup = backups.find(str(closed(tmp_path / "backup.db", 0, 7)), tmp_path, path)
    kept = restoring.restore(path, backup).kept
    assert kept
    assert [file.read_bytes() for file in (kept, kept.with_name(f"{kept.name}-wal"))] == octets
    with open_store(path) as store:
        assert store.scalar("SELECT count(*) FROM payload") == 7


def erased(store: Store) -> None:
    store.query("INSERT INTO erased SELECT uid FROM payload WHERE id > 40")
    erase.delete_erased(store)


def thinned(store: Store) -> None:
    store.query("INSERT INTO thinned SELECT uid, NULL FROM payload WHERE id > 40")
    store.query("DELETE FROM payload WHERE id > 40")


@pytest.mark.parametrize("take_away", [erased, thinned])
def test_its_own_log_is_taken_in_also_where_it_takes_away(tmp_path: Path, take_away: Callable[[Store], None]) -> None:
    path = closed(tmp_path / "a.db", 0, 50)

    def work(store: Store) -> None:
        persons.add(store, "mira", NOON)
        with store.transaction():
            store.query("PRAGMA secure_delete=ON")
            take_away(store)

    ended(path, work)
    with open_store(path) as store:
        assert store.scalar("SELECT count(*) FROM payload") == 40
    cut(path, 50, 400)  # the log is longer than SQLite keeps: a part of it is taken in already
    with open_store(path) as store:
        assert store.scalar("SELECT count(*) FROM payload") == 440


def test_the_log_of_a_store_in_use_is_not_asked_about(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("collector.store.own_log._problem", lambda _: "asked")
    path = closed(tmp_path / "a.db", 0, 5)
    with open_store(path) as store:
        add(store, 5, 5)
        with open_store(path), open_store(path, read_only=True) as reading:
            assert reading.scalar("SELECT count(*) FROM payload") == 10


def test_who_may_write_but_not_open_the_lock_still_reads(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Seen: of a store that a group may write, its members could ask nothing while the service was running."""

    def no_right(*_: object) -> int:
        raise PermissionError(13, "Permission denied")

    path, odd = closed(tmp_path / "c.db", 0, 5), of_another(tmp_path)
    with open_store(path) as store:
        add(store, 5, 5)
        monkeypatch.setattr("collector.store.writers.open_own", no_right)
        with open_store(path, read_only=True) as reading:
            assert reading.scalar("SELECT count(*) FROM payload") == 10
        with pytest.raises(StoreError, match="cannot be locked"):
            open_store(path)
    with pytest.raises(StoreError, match="not its own"):
        open_store(odd, read_only=True)


def test_two_services_that_start_at_once_are_both_refused(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Seen: the second took the one that looked into the log for a writer, waited, and played the log in."""
    path, real, looking = of_another(tmp_path), own_log._problem, Event()
    before = sha256(path.read_bytes()).hexdigest()

    def slowly(*of: Any) -> str | None:
        looking.set()
        sleep(0.1)
        return real(*of)

    def start() -> str:
        try:
            open_store(path).close()
        except StoreError as error:
            return error.kind
        return "opened"

    monkeypatch.setattr(own_log, "_problem", slowly)
    with ThreadPoolExecutor() as services:
        first = services.submit(start)
        assert looking.wait(60)
        others = [services.submit(start) for _ in range(2)]
        assert [one.result() for one in (first, *others)] == ["foreign log"] * 3
    assert sha256(path.read_bytes()).hexdigest() == before


def test_who_has_the_store_alone_for_an_instant_is_no_writer(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Seen where services and questions began together: 106 times in 1,500 the log was played in."""
    path, real, asked = of_another(tmp_path), writers.alone, []

    def had(store: Path, wait_s: float = 1.0) -> AbstractContextManager[None]:
        asked.append(store)
        if len(asked) == 1:
            raise StoreError("somebody has it", "locked")
        return real(store, wait_s)

    monkeypatch.setattr(writers, "alone", had)
    with pytest.raises(StoreError) as refused:
        open_store(path)
    assert refused.value.kind == "foreign log"


def test_a_service_waits_for_a_question_that_looks_into_the_log(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    path = of_another(tmp_path)
    monkeypatch.setattr(writers, "WAIT_S", 0.02)
    with own_log._only_look(path, 0) as alone:
        assert alone
        with pytest.raises(StoreError, match="looks into the log") as refused:
            open_store(path)
    assert refused.value.kind == "locked"


def test_a_question_to_a_big_store_does_not_look_at_every_page_after_a_power_cut(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    path = cut(closed(tmp_path / "a.db", 0, 50), 50, 60)
    looked = []
    monkeypatch.setattr("collector.store.own_log._fault", looked.append)
    monkeypatch.setattr(opening, "SOON_LOOKED_THROUGH", 10)
    open_store(path, read_only=True).close()
    assert looked == []
    open_store(path).close()
    assert len(looked) == 1

"""What surrounds a command is odd: its time zone, its folder, the files beside the store. One line says so."""

import os
import time
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest
from typer.testing import Result

from collector.service.config import ConfigError, load
from collector.store.opening import open_store

Run = Callable[..., Result]


@pytest.fixture
def zone(monkeypatch: pytest.MonkeyPatch) -> Iterator[Callable[[str], None]]:
    def shown(name: str) -> None:
        monkeypatch.setenv("TZ", name)
        time.tzset()

    yield shown
    monkeypatch.undo()
    time.tzset()


@pytest.mark.parametrize(
    ("name", "words"),
    [("UTC+25", ("check", "--json")), ("UTC-24", ("readings",)), ("AAA+24:59:59", ("person", "add", "x"))],
)
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


def test_the_services_refuse_it_too(zone: Callable[[str], None]) -> None:
    """Their own small entries pass by the command line's door."""
    zone("UTC+25")
    with pytest.raises(ConfigError, match="a day or more from UTC"):
        load()


BESIDE = [
    (".writers", ("person", "add", "x")),
    (".backing-up", ("backup", "now")),
    (".lock", ("backup", "restore", "last")),
    (".restoring", ("backup", "restore", "last")),
    (".backups.part", ("backup", "now")),
]


@pytest.mark.parametrize("stands", ["link", "link to nothing", "folder", "pipe"])
def test_what_is_no_file_beside_the_store_is_neither_followed_nor_waited_for(
    quietcuff: Run, tmp_path: Path, stands: str
) -> None:
    """Seen: whoever may write in the store's folder had root give them, or empty, any file of the machine by a link
    that bore the name of a lock."""
    store, victim = tmp_path / "var" / "s.db", tmp_path / "victim"
    open_store(store).close()
    assert quietcuff("--store", str(store), "backup", "now").exit_code == 0
    before = store.read_bytes()
    victim.write_text("of somebody else")
    if os.geteuid() == 0:
        os.chown(store.parent, 12345, 12345)
        os.chown(store, 12345, 12345)
    for ending, words in BESIDE:
        beside = store.with_name(store.name + ending)
        beside.unlink(missing_ok=True)
        match stands:
            case "folder":
                beside.mkdir()
            case "pipe":
                os.mkfifo(beside)
            case _:
                beside.symlink_to(victim if stands == "link" else tmp_path / "nothing")
        result = quietcuff("--store", str(store), *words)
        assert (result.exit_code, len(result.stderr.splitlines())) == (1, 1), result.stderr
        assert str(beside) in result.stderr
        assert "unforeseen" not in result.stderr
        assert (victim.read_text(), victim.stat().st_uid) == ("of somebody else", os.geteuid())
        assert not (tmp_path / "nothing").exists()
        assert store.read_bytes() == before
        beside.rmdir() if stands == "folder" else beside.unlink()


@pytest.mark.skipif(os.geteuid() != 0, reason="only root can give files away")
def test_what_root_restores_is_the_services_with_all_its_locks(quietcuff: Run, tmp_path: Path) -> None:
    """Seen: after a backup that root put back on a new machine the service could not open its own lock."""
    store, backup = tmp_path / "var" / "s.db", tmp_path / "backup.db"
    open_store(backup).close()
    store.parent.mkdir()
    os.chown(store.parent, 12345, 12346)
    assert quietcuff("--store", str(store), "backup", "restore", str(backup)).exit_code == 0
    assert {(one.name, one.stat().st_uid, one.stat().st_gid) for one in store.parent.iterdir()} == {
        (name, 12345, 12346) for name in ("s.db", "s.db.lock", "s.db.writers")
    }


@pytest.mark.parametrize("left", ["log", "backups"])
def test_a_store_that_was_emptied_is_not_begun_anew(quietcuff: Run, tmp_path: Path, left: str) -> None:
    """Seen: in a file of no octets, as a power cut may leave one, the next command began a new store without a word.
    SQLite throws its log away then, and daily backups of the new one drop those of the old one."""
    store, log = tmp_path / "s.db", tmp_path / "s.db-wal"
    assert quietcuff("--store", str(store), "person", "add", "first").exit_code == 0
    if left == "log":
        log.write_bytes(b"what was committed last")
    else:
        assert quietcuff("--store", str(store), "backup", "now").exit_code == 0
    store.write_bytes(b"")
    for words in ("person add x", "readings", "rebuild", "backup now", "check"):
        result = quietcuff("--store", str(store), *words.split())
        assert result.exit_code == 1
        assert "is empty, but was a store" in result.output + result.stderr
        assert store.read_bytes() == b""
    if left == "log":
        assert log.read_bytes() == b"what was committed last"
        log.unlink()
        assert quietcuff("--store", str(store), "person", "add", "x").exit_code == 0, "a new one has no octets either"
    else:
        assert quietcuff("--store", str(store), "backup", "restore", "last").exit_code == 0
        assert "first" in quietcuff("--store", str(store), "person", "list").stdout


@pytest.mark.parametrize("stands", ["pipe", "zeros"])
def test_a_configuration_that_never_ends_or_never_comes(
    quietcuff: Run, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, stands: str
) -> None:
    """Seen: a pipe into which nobody writes stopped every command for ever, /dev/zero until memory was full."""
    monkeypatch.setattr("collector.service.config.from_file.WAIT_S", 0.01)
    pipe = tmp_path / "pipe"
    os.mkfifo(pipe)
    path = pipe if stands == "pipe" else Path("/dev/zero")
    why = "nothing comes through this pipe" if stands == "pipe" else "longer than any configuration"
    for words in ("readings", "check", "page devices"):
        result = quietcuff("--store", str(tmp_path / "s.db"), "--config", str(path), *words.split())
        assert result.exit_code == 1
        assert f"{path}: cannot read the configuration: {why}" in result.output + result.stderr


def test_a_configuration_may_come_through_a_pipe(quietcuff: Run, tmp_path: Path) -> None:
    """As from `--config <(…)`."""
    ours, theirs = os.pipe()
    os.write(theirs, b"[station]\nzone = 'Mars'\n")
    os.close(theirs)
    result = quietcuff("--store", str(tmp_path / "s.db"), "--config", f"/dev/fd/{ours}", "readings")
    assert "Mars" in result.stderr

"""Where files are written: whole or not at all, and nothing is replaced that is no file."""

import os
from contextlib import suppress
from datetime import UTC, datetime
from pathlib import Path
from threading import Thread

import pytest

from collector.share.export.context import ExchangeError
from collector.share.private_file import private_file, secret
from collector.store import open_store, people


def test_a_file_is_replaced_whole_and_for_its_owner_alone(tmp_path: Path) -> None:
    path = tmp_path / "out.csv"
    path.write_text("before")
    with suppress(ZeroDivisionError), private_file(path) as file:
        file.write("half")
        raise ZeroDivisionError
    assert path.read_text() == "before"
    with private_file(path) as file:
        file.write("after")
    assert (path.read_text(), path.stat().st_mode & 0o777) == ("after", 0o600)
    assert os.listdir(tmp_path) == ["out.csv"]


@pytest.mark.parametrize("binary", [False, True])
def test_a_pipe_is_written_to_and_stays_a_pipe(tmp_path: Path, binary: bool) -> None:
    path = tmp_path / "pipe"
    os.mkfifo(path)
    found: list[str] = []
    reading = Thread(target=lambda: found.append(path.read_text()), daemon=True)
    reading.start()
    with private_file(path, binary=binary) as file:
        file.write(b"through" if binary else "through")
    reading.join(20)
    assert (found, path.is_fifo()) == (["through"], True)


def test_a_link_is_followed_and_a_folder_is_refused(tmp_path: Path) -> None:
    (tmp_path / "there").mkdir()
    link = tmp_path / "link.csv"
    link.symlink_to(tmp_path / "there" / "out.csv")
    with private_file(link) as file:
        file.write("there")
    assert (tmp_path / "there" / "out.csv").read_text() == "there"
    assert link.is_symlink()
    with pytest.raises(IsADirectoryError), private_file(tmp_path / "there"):
        pass


def test_a_link_in_a_circle_gives_way_to_the_file(tmp_path: Path) -> None:
    path = tmp_path / "circle"
    path.symlink_to("circle")
    with private_file(path) as file:
        file.write("a line")
    assert path.read_text() == "a line"


def test_a_secret_is_its_owners_alone(tmp_path: Path) -> None:
    file = tmp_path / "token"
    file.write_text("hush-hush\nmore\n")
    file.chmod(0o644)
    with pytest.raises(ExchangeError, match="chmod 600"):
        secret(file)
    file.chmod(0o600)
    assert secret(file) == "hush-hush"
    file.write_text("\n")
    with pytest.raises(ExchangeError, match="empty"):
        secret(file)
    with pytest.raises(ExchangeError, match="cannot be read"):
        secret(tmp_path / "none")


@pytest.mark.parametrize("beside", ["", "-wal", "-shm", "-journal"])
def test_nothing_is_written_over_a_store_or_what_stands_beside_it(tmp_path: Path, beside: str) -> None:
    path = tmp_path / "quietcuff.db"
    with open_store(path) as store:
        people.add(store, "mira", datetime(2026, 3, 4, tzinfo=UTC))
    (tmp_path / "link.csv").symlink_to(path)
    before = path.read_bytes()
    for name in (f"quietcuff.db{beside}", f"link.csv{beside}"):
        with pytest.raises(ExchangeError, match="is a store"), private_file(tmp_path / name) as file:
            file.write("systolic,diastolic\n")
    assert path.read_bytes() == before
    assert not list(tmp_path.glob("*.part"))
    with private_file(tmp_path / f"fresh.csv{beside}") as file:
        file.write("systolic,diastolic\n")


def test_of_two_that_write_one_file_at_once_one_is_refused_and_the_other_is_whole(tmp_path: Path) -> None:
    path = tmp_path / "out.csv"
    with private_file(path) as first:
        first.write("a" * 100)
        first.flush()
        with pytest.raises(ExchangeError, match="another program writes"), private_file(path) as second:
            second.write("b")
        assert (tmp_path / "out.csv.part").exists()
    assert path.read_text() == "a" * 100
    with private_file(path) as second:
        second.write("b")
    assert path.read_text() == "b"
    assert os.listdir(tmp_path) == ["out.csv"]


def test_what_a_killed_one_left_is_begun_anew(tmp_path: Path) -> None:
    (tmp_path / "out.csv.part").write_text("left by whoever was killed")
    with private_file(tmp_path / "out.csv") as file:
        file.write("whole")
    assert (tmp_path / "out.csv").read_text() == "whole"

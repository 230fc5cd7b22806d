"""A restore beside other writers: what they were told is on disk is in the store, or in the copy kept of it."""

import os
import random
import signal
import subprocess
import sys
import time
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest
from forked_command import forked, load_all

from collector.service.jobs import backups, restoring
from collector.store import journal
from collector.store.errors import StoreError
from collector.store.journal import payloads
from collector.store.opening import open_store

COMMITS = 500
WRITER = """
import sys
from datetime import UTC, datetime
from pathlib import Path
from collector.store import journal
from collector.store.opening import open_store

path, name, many, each = Path(sys.argv[1]), int(sys.argv[2]), int(sys.argv[3]), int(sys.argv[4])
for first in range(0, many, each):
    with open_store(path, create=False) as store:
        for number in range(first, first + each):
            value = name.to_bytes(2, "big") + number.to_bytes(4, "big")
            journal.append(store, cuff="F0:00:00:00:00:01", characteristic=0x2A35, value=value,
                           arrived_at=datetime.now(UTC), source="test")
            print(value.hex(), flush=True)
"""


def values(path: Path) -> set[str]:
    with open_store(path, create=False) as store:
        return {one.value.hex() for cuff in (1,) for one in payloads.of_cuff(store, cuff)}


@pytest.mark.timeout(240)
def test_of_1000_commits_beside_restores_none_is_lost(tmp_path: Path) -> None:
    path, folder = tmp_path / "quietcuff.db", tmp_path / "backups"
    with open_store(path) as store:
        journal.append(store, cuff="F0:00:00:00:00:01", characteristic=0x2A35, value=b"first",
                       arrived_at=datetime.now(UTC), source="test")  # fmt: skip
    backup = backups.take(path, folder, keep=1)
    told = [tmp_path / f"told-{name}" for name in (1, 2)]
    writers = []
    for name, each, out in zip((1, 2), (1, 20), told, strict=True):
        command = [sys.executable, "-c", WRITER, str(path), str(name), str(COMMITS), str(each)]
        with out.open("w") as output:
            writers.append(subprocess.Popen(command, stdout=output))
    restored = 0
    now = datetime(2031, 1, 1, tzinfo=UTC)
    while any(writer.poll() is None for writer in writers):
        try:
            restoring.restore(path, backup, now=now + timedelta(seconds=restored))
            restored += 1
        except StoreError as error:
            if error.kind != "locked":
                raise
        time.sleep(0.02)
    assert [writer.returncode for writer in writers] == [0, 0]
    there = values(path).union(*(values(kept) for kept in tmp_path.glob("quietcuff-before-restore-*.db")))
    acknowledged = {line for out in told for line in out.read_text().split()}
    print(f"{restored} restores beside {len(acknowledged)} commits, {len(acknowledged - there)} lost")
    assert restored >= 3
    assert len(acknowledged) == 2 * COMMITS
    assert not acknowledged - there


def test_a_restore_waits_for_nobody_that_keeps_the_store_open(tmp_path: Path) -> None:
    path = tmp_path / "quietcuff.db"
    with open_store(path):
        backup = backups.take(path, tmp_path / "backups", keep=1)
        with pytest.raises(StoreError, match="has the store open"):
            restoring.restore(path, backup)
    assert restoring.restore(path, backup).kept


LOG = "taken_at,systolic,diastolic,person,note\n"
KINDS = ("person", "note", "import", "strike")


def written(kind: str, number: int, reading: str) -> list[str]:
    """A command that leaves something of its own."""
    tag = f"{kind}-{number:05d}"
    match kind:
        case "person":
            return ["person", "add", tag]
        case "note":
            return ["note", "add", "Base", "2025-03-20", tag]
        case "import":
            return ["import", f"{tag}.csv"]
        case _:
            return ["strike", reading, *(["--undo"] if number % 2 else [])]


def write_again_and_again(kind: str, folder: Path, many: int, reading: str) -> None:
    """In a process of its own: notes each that was acknowledged. Its restore may be followed by a refusal."""
    with (folder / f"told-{kind}").open("w") as told:
        for number in range(many):
            at = datetime(2020, 1, 1, tzinfo=UTC) + timedelta(hours=7 * number)
            tag = f"{kind}-{number:05d}"
            (folder / f"{tag}.csv").write_text(f"{LOG}{at.isoformat()},{100 + number % 80},80,Base,{tag}\n")
            words = ["--store", "quietcuff.db", *written(kind, number, reading)]
            if forked(folder, words, said=f"said-{kind}")[0] == 0:
                print(tag, file=told, flush=True)
            (folder / f"{tag}.csv").unlink()


def restores_beside_commands(folder: Path, many: int, seed: int) -> tuple[int, int, int]:
    """So many commands of each kind, beside restores of which half are ended by a signal; returns (restores that were
    done, acknowledged, lost)."""
    load_all()
    chance, path = random.Random(seed), folder / "quietcuff.db"
    (folder / "log.csv").write_text(LOG + "2019-03-04T08:00+00:00,128,81,Base,first\n")
    for words in (["person", "add", "Base"], ["import", "log.csv"], ["backup", "now"]):
        assert forked(folder, ["--store", path.name, *words])[0] == 0
    with open_store(path, read_only=True) as store:
        reading = str(store.scalar("SELECT reading_id FROM reading"))
    writers = []
    for kind in KINDS:
        pid = os.fork()
        if not pid:
            try:
                write_again_and_again(kind, folder, many, reading)
            finally:
                os._exit(0)
        writers.append(pid)
    restored = 0
    while writers := [pid for pid in writers if os.waitpid(pid, os.WNOHANG)[0] == 0]:
        after_s = chance.uniform(0, 0.15) if chance.random() < 0.5 else None
        number = chance.choice((signal.SIGKILL, signal.SIGTERM, signal.SIGINT, signal.SIGHUP))
        code, said, _ = forked(folder, ["--store", path.name, "backup", "restore", "last"], after_s, number)
        assert "Traceback" not in said, said
        restored += code == 0
        time.sleep(0.05)
    found: set[str] = set()
    lines: set[bytes] = set()
    for file in (path, *folder.glob("quietcuff-before-restore-*.db")):
        with open_store(file, read_only=True) as store:
            for sql in ("SELECT name FROM person", "SELECT text FROM note", "SELECT note FROM reading"):
                found |= {text for (text,) in store.query(sql)}
            lines |= {uid for (uid,) in store.query("SELECT uid FROM audit WHERE what LIKE 'reading %struck out'")}
    told = [line for kind in KINDS for line in (folder / f"told-{kind}").read_text().split()]
    struck = [line for line in told if line.startswith("strike")]
    lost = [line for line in told if line not in found and line not in struck]
    return restored, len(told), len(lost) + max(0, len(struck) - len(lines))


@pytest.mark.long
@pytest.mark.timeout(3600)
def test_1000_commands_beside_restores_of_which_half_are_ended(tmp_path: Path) -> None:
    restored, told, lost = restores_beside_commands(tmp_path, 300, seed=2)
    print(f"{restored} restores beside {told} commands that were acknowledged, {lost} lost")
    assert told >= 1000
    assert not lost

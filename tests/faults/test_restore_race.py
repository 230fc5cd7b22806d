"""A restore beside other writers: what they were told is on disk is in the store, or in the copy kept of it."""

import os
import random
import signal
import subprocess
import sys
import time
from collections import Counter
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest
from forked_command import forked, load_all

from collector.service.jobs import backups, restoring
from collector.store import journal, sightings, upkeep
from collector.store.errors import StoreError
from collector.store.journal import payloads
from collector.store.opening import open_store
from collector.store.people import loans

COMMITS = 500
WRITER = """
import sys
from datetime import UTC, datetime
from pathlib import Path
from collector.store import journal, sightings, upkeep
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
        with pytest.raises(StoreError, match=rf"process {os.getpid()}, has the store open"):
            restoring.restore(path, backup)
    assert restoring.restore(path, backup).kept


LOG = "taken_at,systolic,diastolic,person,note\n"
CUFF = "F0:00:00:00:00:01"
NAMED = ("person", "note", "import", "merge", "loan")
"""What these leave bears their tag; of the others a line of the history tells."""
COUNTED = {"strike": "reading %struck out", "correct": "reading %corrected", "erase": "person erased"}
TAGS = (
    "SELECT name FROM person",
    "SELECT text FROM note",
    "SELECT note FROM reading",
    "SELECT detail ->> 'reason' FROM audit",
)
OTHERS = ("rebuild", "retention", "backup", "restore")
"""They leave nothing to be counted: they are to end, and to leave the others' alone."""
LONGEST_S = 60
"""No command takes as long, whatever else is going on: a writer waits 15 s for a restore at most."""


TOLD_FIRST = ("quietcuff: ", "erase-", "an erase that was interrupted")
"""Whatever command comes next finishes an erase that is not finished, and says so before its own words."""


def written(kind: str, number: int, readings: list[str]) -> list[list[str]]:
    """Commands of which the last leaves something of its own."""
    tag, undo = f"{kind}-{number:05d}", ["--undo"] if number % 2 else []
    match kind:
        case "person":
            return [["person", "add", tag]]
        case "note":
            return [["note", "add", "Base", "2025-03-20", tag]]
        case "import":
            return [["import", f"{tag}.csv"]]
        case "merge":
            return [["--store", f"{tag}.db", "person", "add", tag], ["merge", f"{tag}.db"]]
        case "strike":
            return [["strike", readings[0], *undo]]
        case "correct":
            return [["correct", readings[1], *(undo or ["--systolic", str(100 + number % 90)])]]
        case "loan":
            mark = ["loan", "mark", CUFF, ("lost", "quarantine", "retired")[number % 3], "--reason", tag]
            return [mark if number % 2 else ["loan", "out", CUFF, "--to", tag]]
        case "erase":
            return [["person", "add", tag], ["person", "erase", tag, "--yes"]]
        case "retention":
            return [["retention", "--days", "1", "--apply"]]
        case "backup":
            return [["backup", "now"]]
        case "restore":
            return [["backup", "restore", "last"]]
        case _:
            return [[kind]]


def write_again_and_again(kind: str, folder: Path, many: int, readings: list[str]) -> None:
    """In a process of its own: notes each that was acknowledged. Its restore may be followed by a refusal."""
    with (folder / f"told-{kind}").open("w") as told, (folder / f"refused-{kind}").open("w") as refused:
        for number in range(many):
            at = datetime(2020, 1, 1, tzinfo=UTC) + timedelta(hours=7 * number)
            tag = f"{kind}-{number:05d}"
            (folder / f"{tag}.csv").write_text(f"{LOG}{at.isoformat()},{100 + number % 80},80,Base,{tag}\n")
            for words in written(kind, number, readings):
                store = [] if "--store" in words else ["--store", "quietcuff.db"]
                code, said, took_s = forked(folder, [*store, *words], said=f"said-{kind}")
                if code not in (0, 3):
                    print(code, f"{took_s:.2f}", repr(said), file=refused, flush=True)
            if code in (0, 3):
                print(tag, file=told, flush=True)
            for left in folder.glob(f"{tag}.*"):
                left.unlink()


def begin(folder: Path) -> list[str]:
    """A store with two readings and a cuff, and a backup of it; returns the readings' ids."""
    path = folder / "quietcuff.db"
    (folder / "log.csv").write_text(
        LOG + "2019-03-04T08:00+00:00,128,81,Base,first\n2019-03-04T09:00+00:00,128,81,Base,\n"
    )
    for words in (["person", "add", "Base"], ["import", "log.csv"]):
        assert forked(folder, ["--store", path.name, *words])[0] == 0
    with open_store(path) as store:
        journal.append(store, cuff=CUFF, characteristic=0x2A35, value=b"first", arrived_at=datetime.now(UTC), source="")
        loans.set_state(store, CUFF, loans.State.AVAILABLE, datetime.now(UTC))
        found = [str(one) for (one,) in store.query("SELECT reading_id FROM reading ORDER BY taken_at")]
    assert forked(folder, ["--store", path.name, "backup", "now"])[0] == 0
    return found


def restores_beside_commands(folder: Path, many: int, seed: int) -> Counter[str]:
    """So many commands of each kind, beside restores of which half are ended by a signal."""
    load_all()
    chance, path, readings = random.Random(seed), folder / "quietcuff.db", begin(folder)
    writers = []
    for kind in (*NAMED, *COUNTED, *OTHERS):
        pid = os.fork()
        if not pid:
            try:
                write_again_and_again(kind, folder, many, readings)
            finally:
                os._exit(0)
        writers.append(pid)
    counted: Counter[str] = Counter()
    while writers := [pid for pid in writers if os.waitpid(pid, os.WNOHANG)[0] == 0]:
        after_s = chance.uniform(0, 0.15) if chance.random() < 0.5 else None
        number = chance.choice((signal.SIGKILL, signal.SIGTERM, signal.SIGINT, signal.SIGHUP))
        code, said, took_s = forked(folder, ["--store", path.name, "backup", "restore", "last"], after_s, number)
        assert "Traceback" not in said, said
        assert took_s < LONGEST_S
        counted["restored"] += code == 0
        time.sleep(0.05)
    told = {kind: (folder / f"told-{kind}").read_text().split() for kind in (*NAMED, *COUNTED, *OTHERS)}
    refused = [line.split(" ", 2) for file in folder.glob("refused-*") for line in file.read_text().splitlines()]
    counted["restored"] += len(told["restore"])
    counted["told"], counted["refused"] = sum(map(len, told.values())), len(refused)
    counted["badly refused"] = sum(
        float(took_s) > LONGEST_S or said.count("quietcuff: ") != 1 or not said[1:].startswith(TOLD_FIRST)
        for _, took_s, said in refused
    )
    found: set[str] = set()
    lines: dict[str, set[bytes]] = {kind: set() for kind in COUNTED}
    for file in (path, *folder.glob("quietcuff-before-restore-*.db")):
        with open_store(file, read_only=True) as store:
            for sql in TAGS:
                found |= {text for (text,) in store.query(sql)}
            for kind, what in COUNTED.items():
                about = {"strike": f"%{readings[0]}%", "correct": f"%{readings[1]}%"}.get(kind, "%")
                sql = "SELECT uid FROM audit WHERE what LIKE ? AND detail LIKE ?"
                lines[kind] |= {uid for (uid,) in store.query(sql, (what, about))}
    for kind in NAMED:
        counted["lost"] += len(set(told[kind]) - found)
    for kind in COUNTED:
        counted["lost"] += max(0, len(told[kind]) - len(lines[kind]))
    with open_store(path, read_only=True) as store:
        assert (upkeep.integrity(store), sightings.miscounted(store)) == ([], 0)
        there = {name for (name,) in store.query("SELECT name FROM person")}
    counted["erased and there"] = len(there.intersection(told["erase"]))
    return counted


@pytest.mark.long
@pytest.mark.timeout(3600)
def test_1000_commands_beside_restores_of_which_half_are_ended(tmp_path: Path) -> None:
    counted = restores_beside_commands(tmp_path, int(os.environ.get("COMMANDS", "100")), seed=2)
    print(dict(counted))
    assert counted["lost"] == counted["badly refused"] == counted["erased and there"] == 0
    assert counted["told"] >= 3 * counted["restored"] > 0

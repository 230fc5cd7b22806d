"""A restore beside other writers: what they were told is on disk is in the store, or in the copy kept of it."""

import subprocess
import sys
import time
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest

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

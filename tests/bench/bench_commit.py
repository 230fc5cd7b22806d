"""How much a journalled payload costs over the barest durable insert: at most 1.5 ×, in one run on one disk.

Run: python tests/bench/bench_commit.py [FOLDER]
"""

import sqlite3
import statistics
import sys
import tempfile
import time
from collections.abc import Callable
from datetime import UTC, datetime
from pathlib import Path

import pytest

from collector.store import journal, open_store

ROUNDS, BATCH = 40, 25
VALUE = bytes.fromhex("1E8000540063 00EA0703090729054200020400".replace(" ", ""))
LIMIT = 1.5


def bare(folder: Path) -> Callable[[int], None]:
    """INSERT and COMMIT with the same durability: WAL, synchronous FULL."""
    connection = sqlite3.connect(folder / "bare.db", isolation_level=None)
    connection.execute("PRAGMA journal_mode=WAL")
    connection.execute("PRAGMA synchronous=FULL")
    connection.execute("CREATE TABLE payload (id INTEGER PRIMARY KEY, cuff TEXT, uuid INTEGER, value BLOB, at INTEGER)")

    def commit(number: int) -> None:
        connection.execute("BEGIN")
        connection.execute(
            "INSERT INTO payload (cuff, uuid, value, at) VALUES (?, ?, ?, ?)",
            ("C0:FF:EE:00:00:01", 0x2A35, VALUE, number),
        )
        connection.execute("COMMIT")

    return commit


def journalled(folder: Path) -> Callable[[int], None]:
    store = open_store(folder / "store.db")
    at = datetime(2026, 3, 9, tzinfo=UTC)

    def commit(number: int) -> None:
        journal.append(
            store,
            cuff="C0:FF:EE:00:00:01",
            characteristic=0x2A35,
            value=VALUE,
            arrived_at=at,
            source="witness",
            encrypted=True,
            mark=f"{number}",
        )

    return commit


def ratio(folder: Path) -> tuple[float, float, float]:
    """(journalled / bare, seconds each). Batches alternate, medians compared: the disk's moods cancel out."""
    contestants = (bare(folder), journalled(folder))
    times: tuple[list[float], list[float]] = ([], [])
    for round_number in range(ROUNDS):
        for commit, taken in zip(contestants, times, strict=True):
            began = time.perf_counter()
            for number in range(BATCH):
                commit(round_number * BATCH + number)
            taken.append((time.perf_counter() - began) / BATCH)
    plain, ours = (statistics.median(taken[2:]) for taken in times)
    return ours / plain, ours, plain


@pytest.mark.bench
def test_commit_is_nearly_as_cheap_as_a_bare_one(tmp_path: Path) -> None:
    found, ours, plain = ratio(tmp_path)
    print(f"payload committed: {found:.2f} × bare ({ours * 1e6:.0f} µs, bare {plain * 1e6:.0f} µs), limit {LIMIT}")
    assert found <= LIMIT


if __name__ == "__main__":
    with tempfile.TemporaryDirectory(dir=sys.argv[1] if sys.argv[1:] else None) as folder:
        found, ours, plain = ratio(Path(folder))
    print(f"payload committed: {found:.2f} × bare ({ours * 1e6:.0f} µs, bare {plain * 1e6:.0f} µs), limit {LIMIT}")
    raise SystemExit(found > LIMIT)

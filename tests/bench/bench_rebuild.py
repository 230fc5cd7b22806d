"""What taking up a journal costs, beside SQLite's own SELECT and INSERT of the same rows: rebuild, merge, import.

    nice python tests/bench/bench_rebuild.py [PAYLOADS]

Processor time, the best of several; on a busy machine everything in it is slower alike, so the ratios tell more than
the microseconds. Everybody in it is invented.
"""

import csv
import io
import sqlite3
import sys
import tempfile
import time
from collections.abc import Callable, Iterator
from contextlib import closing
from datetime import UTC, datetime, timedelta
from pathlib import Path

from bench_scale import fill

from collector import intake
from collector.intake.sources.hand_log import HandRow
from collector.intake.sources.hand_log_file import LogReader
from collector.intake.take_log import take_log
from collector.store import Store, open_store, people

TIMES = 3
NOW = datetime(2031, 1, 1, tzinfo=UTC)


def spent(work: Callable[[], object]) -> float:
    """Seconds of processor time."""
    began = time.process_time()
    work()
    return time.process_time() - began


def copied(source: Path, target: Path, tables: tuple[str, ...]) -> float:
    """SQLite's own SELECT and INSERT of these tables' rows into an empty store: same indices, same triggers."""
    with open_store(target) as store:
        store.query("PRAGMA foreign_keys=OFF")  # what the rows refer to is not copied
        store.query("ATTACH ? AS other", (str(source),))

        def work() -> None:
            with store.transaction():
                for table in tables:
                    store.query(f"INSERT INTO main.{table} SELECT * FROM other.{table}")

        with store.roomy():
            return spent(work)


def empty(store: Store) -> None:
    with store.transaction():
        store.query("DELETE FROM outcome")
        store.query("DELETE FROM reading")


def log(lines: int) -> bytes:
    begin = datetime(2016, 1, 1, 6, 0)
    text = io.StringIO()
    text.write("taken_at,systolic,diastolic,pulse,person\n")
    for number in range(lines):
        at = (begin + timedelta(hours=12 * number)).isoformat(" ")
        text.write(f"{at},{110 + number % 40},{70 + number % 20},{60 + number % 30},Mira\n")
    return text.getvalue().encode()


def imported(octets: bytes, path: Path) -> float:
    reader = LogReader(local=lambda wall: wall.replace(tzinfo=UTC), now=NOW)
    with open_store(path) as store:
        people.add(store, "Mira", NOW)
        return spent(
            lambda: take_log(store, [row for row in reader.read(octets, "log") if isinstance(row, HandRow)], NOW)
        )


def bare(octets: bytes, path: Path) -> float:
    """CSV and INSERT in one transaction, nothing checked and nothing derived."""
    with closing(sqlite3.connect(path)) as database:
        database.execute("CREATE TABLE log (taken_at, systolic, diastolic, pulse, person)")

        def work() -> None:
            lines = csv.reader(io.StringIO(octets.decode()))
            next(lines)
            with database:
                database.executemany("INSERT INTO log VALUES (?, ?, ?, ?, ?)", lines)

        return spent(work)


def measured(size: int, folder: Path) -> Iterator[tuple[str, float, float]]:
    """(what, seconds, seconds of what it stands beside)."""
    source = folder / "source.db"
    with open_store(source) as store:
        fill(store, size, max(1, size // 2_000), 2)
        from_nothing, again = [], []
        for _ in range(TIMES):
            empty(store)
            from_nothing.append(spent(lambda: intake.rebuild(store)))
            again.append(spent(lambda: intake.rebuild(store)))
    rows = ("reading", "outcome")
    inserted = min(copied(source, folder / f"rows {one}.db", rows) for one in range(TIMES))
    yield "rebuild, from nothing", min(from_nothing), inserted
    yield "rebuild, all as it was", min(again), inserted
    merged = []
    for one in range(TIMES):
        with open_store(folder / f"merged {one}.db") as store:
            merged.append(spent(lambda store=store: intake.merge(store, source)))  # type: ignore[misc]
    with_journal = min(copied(source, folder / f"all {one}.db", ("payload", *rows)) for one in range(TIMES))
    yield "merge into an empty store", min(merged), with_journal
    octets = log(size)
    taken = min(imported(octets, folder / f"log {one}.db") for one in range(TIMES))
    yield "import of a log", taken, min(bare(octets, folder / f"bare {one}.db") for one in range(TIMES))


if __name__ == "__main__":
    payloads = int(sys.argv[1]) if sys.argv[1:] else 10_000
    with tempfile.TemporaryDirectory() as place:
        for what, ours, theirs in measured(payloads, Path(place)):
            each, beside = ours / payloads * 1e6, theirs / payloads * 1e6
            print(f"{what}: {each:.0f} µs each, {ours / theirs:.1f} × of {beside:.1f} µs", flush=True)

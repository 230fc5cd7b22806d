"""What taking up a journal costs, beside SQLite's own SELECT and INSERT of the same rows: rebuild, merge, import.

    nice python tests/bench/bench_rebuild.py [PAYLOADS]

Processor time, the best of several; on a busy machine everything in it is slower alike, so the ratios tell more than
the microseconds. Where the time of each goes, and what the whole command `import` takes of 10,000 lines and of one, is
told as well; looking costs a few microseconds of each. Everybody in it is invented.
"""

import csv
import io
import os
import resource
import sqlite3
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable, Iterator
from contextlib import ExitStack, closing
from dataclasses import dataclass, field
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any
from unittest import mock

from bench_scale import fill

from collector import intake
from collector.intake import take_log, taking_up
from collector.intake.repeats import Known
from collector.intake.sources.hand_log import HandRow
from collector.intake.sources.hand_log_file import LogReader
from collector.store import Store, database, open_store, people

TIMES = 3
LINES = 10_000  # of the whole command
NOW = datetime(2031, 1, 1, tzinfo=UTC)


PARTS = {
    "SQLite": ((Store, "query"), (Store, "many"), (database._Cursor, "fetchone"), (database._Cursor, "fetchall")),
    "reading the file": ((LogReader, "_line"),),
    "judging its lines": ((take_log._Log, "add"),),
    "making payloads": ((take_log, "_line"),),
    "what payloads say": ((taking_up, "sayings"),),
    "known or new": ((Known, "take"),),
    "when": ((taking_up, "place_since"),),
    "whose": ((taking_up, "_finished"),),
}
"""Where the time goes, each without what is called within it; SQLite's with handing it its values."""
REST = "the rest"


@dataclass(frozen=True, order=True)
class Spent:
    """Seconds of processor time, and of it by its parts."""

    seconds: float
    parts: dict[str, float] = field(compare=False)


def spent(work: Callable[[], object]) -> Spent:
    parts = dict.fromkeys((*PARTS, REST), 0.0)
    at_work, since = REST, 0.0

    def pass_to(part: str) -> str:
        nonlocal at_work, since
        now, before = time.process_time(), at_work
        parts[before] += now - since
        at_work, since = part, now
        return before

    def timed(part: str, own: Callable[..., Any]) -> Callable[..., Any]:
        def counted(*arguments: Any) -> Any:
            before = pass_to(part)
            try:
                return own(*arguments)
            finally:
                pass_to(before)

        return counted

    with ExitStack() as patches:
        for part, places in PARTS.items():
            for owner, name in places:
                patches.enter_context(mock.patch.object(owner, name, timed(part, getattr(owner, name))))
        since = time.process_time()
        work()
        pass_to(REST)
    return Spent(sum(parts.values()), parts)


def whole_command(octets: bytes, folder: Path) -> float:
    """Seconds of processor time of `quietcuff import` of a log into a store where its person is."""
    path, log_file = folder / "command.db", folder / "log.csv"
    path.unlink(missing_ok=True)
    log_file.write_bytes(octets)
    with open_store(path) as store:
        people.add(store, "Mira", NOW)
    before = resource.getrusage(resource.RUSAGE_CHILDREN)
    program = [sys.executable, "-c", "from collector.cli.main import run; run()"]
    compiled = {**os.environ, "PYTHONDONTWRITEBYTECODE": ""}  # as an installed program's modules are
    subprocess.run(
        [*program, "--store", str(path), "import", str(log_file)], check=True, capture_output=True, env=compiled
    )
    after = resource.getrusage(resource.RUSAGE_CHILDREN)
    return after.ru_utime + after.ru_stime - before.ru_utime - before.ru_stime


def copied(source: Path, target: Path, tables: tuple[str, ...]) -> Spent:
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
        at = (begin + timedelta(hours=8 * number)).isoformat(" ")
        text.write(f"{at},{110 + number % 40},{70 + number % 20},{60 + number % 30},Mira\n")
    return text.getvalue().encode()


def imported(octets: bytes, path: Path) -> Spent:
    reader = LogReader(local=lambda wall: wall.replace(tzinfo=UTC), now=NOW)
    with open_store(path) as store:
        people.add(store, "Mira", NOW)
        return spent(
            lambda: take_log.take_log(
                store, [row for row in reader.read(octets, "log") if isinstance(row, HandRow)], NOW
            )
        )


def bare(octets: bytes, path: Path) -> Spent:
    """CSV and INSERT in one transaction, nothing checked and nothing derived."""
    with closing(sqlite3.connect(path)) as database:
        database.execute("CREATE TABLE log (taken_at, systolic, diastolic, pulse, person)")

        def work() -> None:
            lines = csv.reader(io.StringIO(octets.decode()))
            next(lines)
            with database:
                database.executemany("INSERT INTO log VALUES (?, ?, ?, ?, ?)", lines)

        return spent(work)


def measured(size: int, folder: Path) -> Iterator[tuple[str, Spent, Spent]]:
    """(what, what it takes, what that takes which it stands beside)."""
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
            each, beside = (one.seconds / payloads * 1e6 for one in (ours, theirs))
            parts = {part: seconds / payloads * 1e6 for part, seconds in ours.parts.items()}
            print(f"{what}: {each:.0f} µs each, {each / beside:.1f} × of {beside:.1f} µs")
            print("   ", ", ".join(f"{part} {own:.0f}" for part, own in parts.items() if own >= 0.5), flush=True)
        for lines in (1, LINES):
            whole = min(whole_command(log(lines), Path(place)) for _ in range(TIMES))
            print(f"the whole command import of {lines:,} lines: {whole:.2f} s", flush=True)

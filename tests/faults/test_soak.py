"""Visit after visit in one process: memory flat, no task or file left behind, no visit slower than before.

`python -m pytest -m long tests/faults/test_soak.py -s` runs 20,000 visits and prints what it saw.
"""

import asyncio
import gc
import json
import os
import statistics
import time
from datetime import datetime, timedelta
from pathlib import Path

import pytest
from air import Room, room
from kept import compared, store_sink

from collector.radio.virtual import Behaviour, VirtualCuff

pytestmark = pytest.mark.usefixtures("no_waiting")

SAMPLES = 20  # how often to look


def resident_kib() -> int:
    """Resident memory of this process (proc(5), /proc/self/status, VmRSS)."""
    status = Path("/proc/self/status").read_text("ascii")
    return int(status.split("VmRSS:")[1].split()[0])


def open_files() -> int:
    return len(os.listdir("/proc/self/fd"))


async def soak(folder: Path, visits: int) -> dict[str, list[float]]:
    """Two cuffs come in turn, one record each time: one with a private address, one plain."""
    cuffs = [
        VirtualCuff("Plain", "F0:00:00:00:00:01", Behaviour(lingers_s=0.0, interval_ms=5)),
        VirtualCuff("Private", "F0:00:00:00:00:02", Behaviour(lingers_s=0.0, interval_ms=5, private_address=True)),
    ]
    seen: dict[str, list[float]] = {"rss_kib": [], "tasks": [], "files": [], "cpu_ms_per_visit": []}
    begin = datetime(2026, 1, 1)
    with store_sink(folder) as sink:
        async with room(*cuffs, sink=sink) as air:
            for sample in range(SAMPLES):
                started = time.process_time()
                for n in range(visits // SAMPLES):
                    number = sample * (visits // SAMPLES) + n
                    await one_visit(air, cuffs[number % 2], begin + timedelta(minutes=number))
                seen["cpu_ms_per_visit"].append((time.process_time() - started) / (visits // SAMPLES) * 1000)
                gc.collect()
                seen["rss_kib"].append(resident_kib())
                seen["tasks"].append(len(asyncio.all_tasks()))
                seen["files"].append(open_files())
        found = compared(sink.store, [])
        assert found.twice == 0
        assert found.strange == visits, "each visit brought its one record"
    return seen


async def one_visit(air: Room, cuff: VirtualCuff, at: datetime) -> None:
    cuff.measure(120 + at.minute % 40, 80, pulse=60, at=at)
    await cuff.wake()
    await air.quiet()
    assert not cuff.memory.records
    cuff.memory.confirmed.clear()
    cuff.memory.measured.clear()


def report(visits: int, seen: dict[str, list[float]]) -> dict[str, float]:
    half = seen["rss_kib"][SAMPLES // 2 :]
    summary = {
        "visits": visits,
        "rss_mib_end": round(seen["rss_kib"][-1] / 1024, 1),
        "rss_last_half_percent": round((max(half) - min(half)) / min(half) * 100, 2),
        "tasks_left": seen["tasks"][-1] - seen["tasks"][0],
        "files_left": seen["files"][-1] - seen["files"][0],
        "cpu_ms_per_visit_first_half": round(statistics.median(seen["cpu_ms_per_visit"][: SAMPLES // 2]), 2),
        "cpu_ms_per_visit_last_half": round(statistics.median(seen["cpu_ms_per_visit"][SAMPLES // 2 :]), 2),
    }
    print(json.dumps(summary))
    return summary


async def test_40_visits_leave_no_task_and_no_file(tmp_path: Path) -> None:
    summary = report(40, await soak(tmp_path, 40))
    assert summary["tasks_left"] == summary["files_left"] == 0


@pytest.mark.long
@pytest.mark.timeout(14400)
async def test_20000_visits_leave_nothing_and_slow_nothing(tmp_path: Path) -> None:
    summary = report(20_000, await soak(tmp_path, 20_000))
    assert summary["tasks_left"] == summary["files_left"] == 0
    assert summary["rss_last_half_percent"] <= 3
    assert summary["cpu_ms_per_visit_last_half"] <= 1.2 * summary["cpu_ms_per_visit_first_half"]

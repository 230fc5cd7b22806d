"""How soon a command answers, against a bare `import typer` in the same interpreter.

    python tests/bench/bench_start.py

`quietcuff --version` may take 2 ×, `quietcuff readings --last 20` 3 ×, on a store of 5,000 readings.
"""

import os
import statistics
import subprocess
import sys
import tempfile
import time
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest

from collector.intake import catch_up
from collector.store import journal, open_store
from parsers.measurement import build_measurement, measurement

ROUNDS = 15
READINGS = 5_000
PROGRAM = [sys.executable, "-c", "from collector.cli.main import run; run()"]
LIMITS = {"quietcuff --version": 2.0, "quietcuff readings --last 20": 3.0}


def fill(path: Path) -> None:
    """Invented readings, two a day."""
    began = datetime(2020, 1, 1, 7, tzinfo=UTC)
    with open_store(path) as store:
        with store.transaction():
            for number in range(READINGS):
                at = began + timedelta(hours=12 * number)
                value = build_measurement(
                    measurement(
                        110 + number % 50,
                        65 + number % 30,
                        90,
                        stamp=at.replace(tzinfo=None),
                        pulse=55 + number % 40,
                        user_id=1,
                    )
                )
                journal.append(
                    store,
                    cuff="C0:FF:EE:00:00:01",
                    characteristic=0x2A35,
                    value=value,
                    arrived_at=at + timedelta(seconds=3),
                    source="virtual",
                )
        catch_up(store)


def ratios(folder: Path) -> dict[str, tuple[float, float]]:
    """Per command (ratio to the baseline, seconds). Runs alternate, medians compared."""
    store = folder / "bench.db"
    fill(store)
    commands = {
        "import typer": [sys.executable, "-c", "import typer"],
        "quietcuff --version": [*PROGRAM, "--version"],
        "quietcuff --help": [*PROGRAM, "--help"],
        "quietcuff readings --last 20": [*PROGRAM, "--store", str(store), "readings", "--last", "20"],
        "quietcuff readings --last 20 --json": [*PROGRAM, "--store", str(store), "readings", "--last", "20", "--json"],
        "quietcuff decode": [*PROGRAM, "decode", "068000510061 00ef07030407 0c004000".replace(" ", "")],
    }
    times: dict[str, list[float]] = {name: [] for name in commands}
    kept = {name: value for name, value in os.environ.items() if not name.startswith(("QUIETCUFF_", "PYTHON"))}
    environment = kept | {"PYTHONPYCACHEPREFIX": str(folder / "compiled")}  # as installed: each module compiled once
    for _ in range(ROUNDS):
        for name, command in commands.items():
            began = time.perf_counter()
            subprocess.run(command, check=True, stdout=subprocess.DEVNULL, env=environment)
            times[name].append(time.perf_counter() - began)
    medians = {name: statistics.median(taken[2:]) for name, taken in times.items()}
    return {name: (taken / medians["import typer"], taken) for name, taken in medians.items()}


def report(found: dict[str, tuple[float, float]]) -> bool:
    """Print all, say whether the limits hold."""
    for name, (ratio, seconds) in found.items():
        limit = f"  limit {LIMITS[name]:.0f} ×" if name in LIMITS else ""
        print(f"{name:36} {seconds * 1000:6.0f} ms {ratio:5.2f} ×{limit}")
    return all(found[name][0] <= limit for name, limit in LIMITS.items())


@pytest.mark.bench
def test_commands_answer_at_once(tmp_path: Path) -> None:
    assert report(ratios(tmp_path))


if __name__ == "__main__":
    with tempfile.TemporaryDirectory() as folder:
        raise SystemExit(not report(ratios(Path(folder))))

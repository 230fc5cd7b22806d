"""What quietcuff costs a small machine (512 MB): memory, idle processor time, imports, size on disk, writes.

    python tests/bench/bench_budget.py              # memory, idle, imports, writes: two minutes
    python tests/bench/bench_budget.py --installed  # also installs the core into a fresh venv and weighs it

Needs a D-Bus daemon binary, no Bluetooth: `listen` runs against a private bus without BlueZ, which leaves everything
imported and waiting. Prints one line a figure; the limits are those of docs/performance.md. Exit 1 when one is missed.
"""

import argparse
import os
import subprocess
import sys
import tempfile
import time
from collections.abc import Iterator
from datetime import UTC, datetime, timedelta
from functools import partial
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parents[1] / "support"))

from systembus import private_bus

from collector.intake import interpret, settle
from collector.store import journal, open_store, upkeep
from collector.store.journal import visits
from parsers.measurement import build_measurement, measurement
from parsers.stamps import DateTime, build_date_time

MB = 1024 * 1024
WEEK_READINGS = 28
IDLE_S = 60.0
PROGRAM = [sys.executable, "-c", "from collector.cli.main import run; run()"]
SERVICE = [sys.executable, "-m", "collector.service.listen.main"]
BARE = """
import asyncio
from bleak import BleakScanner
import bleak.backends.bluezdbus.scanner, bleak.backends.bluezdbus.client, bleak.backends.bluezdbus.manager
async def main():
    scanner = BleakScanner(service_uuids=["00001810-0000-1000-8000-00805f9b34fb"])
    try:
        await scanner.start()
    except Exception as error:
        print(type(error).__name__, flush=True)
    print("ready", flush=True)
    await asyncio.sleep(3600)
asyncio.run(main())
"""
HEAVY = (
    "bleak",
    "bumble",
    "apscheduler",
    "dbus_fast",
    "sqlite_utils",
    "construct",
    "asyncio",
    "cryptography",
    "numpy",
    "paho",
    "pyrage",
    "ctypes",
    "ssl",
)


def memory(pid: int) -> tuple[float, float]:
    """Resident and proportional memory, MB. Sources: proc(5), VmRSS and Pss of smaps_rollup."""
    status = dict(line.split(":", 1) for line in Path(f"/proc/{pid}/status").read_text().splitlines())
    rollup = dict(line.split(":", 1) for line in Path(f"/proc/{pid}/smaps_rollup").read_text().splitlines()[1:])
    return int(status["VmRSS"].split()[0]) / 1024, int(rollup["Pss"].split()[0]) / 1024


def seconds_of_processor(pid: int) -> float:
    fields = Path(f"/proc/{pid}/stat").read_text().rsplit(")", 1)[1].split()
    return (int(fields[11]) + int(fields[12])) / os.sysconf("SC_CLK_TCK")


def written(pid: int) -> int:
    """Bytes the process has had written to disk: proc(5), write_bytes of io."""
    return int(dict(line.split(": ") for line in Path(f"/proc/{pid}/io").read_text().splitlines())["write_bytes"])


def wait_for(process: "subprocess.Popen[str]", word: str) -> None:
    assert process.stdout
    for line in process.stdout:
        if word in line:
            return
    raise RuntimeError(f"ended before it said {word!r}")


def bare_scanner(environment: dict[str, str]) -> tuple[float, float]:
    process = subprocess.Popen([sys.executable, "-c", BARE], env=environment, stdout=subprocess.PIPE, text=True)
    try:
        wait_for(process, "ready")
        time.sleep(2)
        return memory(process.pid)
    finally:
        process.kill()
        process.wait()


def week(store: Path) -> float:
    """A simulated week: 28 readings in 14 visits, as the service stores them. Returns bytes written a reading."""
    began = datetime(2031, 3, 3, 7, tzinfo=UTC)
    pid = os.getpid()
    with open_store(store) as opened:
        before = written(pid)
        for number in range(WEEK_READINGS // 2):
            at = began + timedelta(hours=12 * number)
            visit = visits.open_visit(opened, "C0:FF:EE:00:00:01", "witness", at)
            visits.learn_value(opened, visit, 0x2A08, build_date_time(DateTime.of(at.replace(tzinfo=None))), at, 0.1)
            visits.learn_value(opened, visit, 0x2A19, b"\x50", at)
            for minute in range(2):
                value = build_measurement(
                    measurement(
                        120 + number, 80, 93, stamp=DateTime.of(at.replace(tzinfo=None)), pulse=60 + minute, user_id=1
                    )
                )
                added = journal.append(
                    opened,
                    cuff="C0:FF:EE:00:00:01",
                    characteristic=0x2A35,
                    value=value,
                    arrived_at=at + timedelta(seconds=minute),
                    source="witness",
                    visit=visit,
                )
                interpret(opened, added.payload)
            visits.close_visit(opened, visit, at + timedelta(seconds=20), "cuff left")
            settle(opened, visit)
        upkeep.checkpoint(opened)
        return (written(pid) - before) / WEEK_READINGS


def listener(store: Path, environment: dict[str, str]) -> dict[str, float]:
    """The unit's own command, waiting for BlueZ: memory at rest, processor time and writes while nothing happens."""
    process = subprocess.Popen(
        [*SERVICE, "--store", str(store)], env=environment, stdout=subprocess.PIPE, stderr=subprocess.STDOUT, text=True
    )
    try:
        wait_for(process, "listening")
        time.sleep(10)
        before, wrote, began = seconds_of_processor(process.pid), written(process.pid), time.monotonic()
        time.sleep(IDLE_S)
        elapsed = time.monotonic() - began
        resident, proportional = memory(process.pid)
        return {
            "resident": resident,
            "proportional": proportional,
            "idle": (seconds_of_processor(process.pid) - before) / elapsed,
            "idle_day": (written(process.pid) - wrote) * 86400 / elapsed,
        }
    finally:
        process.terminate()
        process.communicate(timeout=30)


def imports(store: Path) -> Iterator[tuple[str, int, list[str]]]:
    """Per command: how many modules it imports, and which heavy packages among them."""
    commands = {
        "--version": ["--version"],
        "readings": ["--store", str(store), "readings", "--last", "2"],
        "average": ["--store", str(store), "average"],
        "check": ["--store", str(store), "check", "--quick"],
        "decode": ["decode", "0080005000610000"],
        "cuff list": ["--store", str(store), "cuff", "list"],
        "backup list": ["--store", str(store), "backup", "list"],
    }
    for name, arguments in commands.items():
        found = subprocess.run(
            [sys.executable, "-X", "importtime", *PROGRAM[1:], *arguments], capture_output=True, text=True
        )
        lines = [
            line.removeprefix("import time:").split("|")
            for line in found.stderr.splitlines()
            if line.startswith("import time:") and "self [us]" not in line
        ]
        modules = {line[2].strip() for line in lines}
        yield name, len(modules), [heavy for heavy in HEAVY if heavy in modules]


def installed(folder: Path) -> float:
    """MB that the core takes beyond a bare venv."""
    venv = folder / "venv"
    subprocess.run([sys.executable, "-m", "venv", str(venv)], check=True)
    bare = weight(venv)
    subprocess.run([venv / "bin/pip", "install", "-q", str(Path(__file__).parents[2])], check=True)
    return weight(venv) - bare


def weight(folder: Path) -> float:
    return sum(path.lstat().st_blocks * 512 for path in folder.rglob("*") if path.is_file()) / MB


def figure(missed: list[str], what: str, value: float, unit: str, limit: float | None = None) -> None:
    """Print a figure beside its limit; one that is over it is added to those missed."""
    over = limit is not None and value > limit
    missed.extend([what] if over else [])
    bound = "" if limit is None else f"   (at most {limit:g}{', MISSED' if over else ''})"
    print(f"{what:56} {value:9.2f} {unit}{bound}", flush=True)


def main() -> int:
    options = argparse.ArgumentParser()
    options.add_argument("--installed", action="store_true")
    weigh = options.parse_args().installed
    missed: list[str] = []
    tell = partial(figure, missed)

    with tempfile.TemporaryDirectory(dir="/var/tmp") as text:
        folder = Path(text)
        store = folder / "week.db"
        a_reading = week(store)
        with private_bus(folder) as environment:
            bare, bare_own = bare_scanner(environment)
            found = listener(store, environment)
        tell("bare bleak scanner, resident", bare, "MB")
        tell("listen after a week, resident", found["resident"], "MB", 60)
        tell("listen against the bare scanner", found["resident"] / bare, "×")
        tell("listen, proportional (bare scanner)", found["proportional"], f"MB ({bare_own:.1f})")
        tell("idle, of one core", found["idle"] * 100, "%", 0.5)
        tell("written a reading", a_reading / 1024, "KiB")
        tell("written an idle day", found["idle_day"] / 1024, "KiB")
        for name, modules, heavy in imports(store):
            tell(f"imports of {name}", modules, f"modules; heavy: {', '.join(heavy) or 'none'}")
        if weigh:
            tell("installed, core without extras", installed(folder), "MB", 60)
    return 1 if missed else 0


if __name__ == "__main__":
    sys.exit(main())

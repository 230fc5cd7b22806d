"""The unit file, as it is, under a real systemd: hardened, without root, and still nothing is lost.

The guest's first process is not systemd, so systemd becomes the first process of a process namespace. The network and
user namespaces stay the initial ones, as on a real machine: the kernel grants the monitor channel in no others.
"""

import asyncio
import contextlib
import os
import shutil
import signal
import subprocess
import sys
import time
from collections.abc import Awaitable, Callable
from dataclasses import replace
from pathlib import Path

from air import Air
from machine import Collected
from report import say, step

from collector.radio.virtual.behaviour import Behaviour, Drop
from collector.radio.virtual.cuff import VirtualCuff

PROJECT = Path(__file__).parents[3]
STORE = "/var/lib/quietcuff/quietcuff.db"
PROGRAM = Path("/opt/quietcuff/bin/quietcuff-listen")
MANNER = Behaviour(interval_ms=250, lingers_s=3.0, patience_s=240.0, advertises_s=240.0)
TARGET = """[Unit]
Requires=dbus.socket bluetooth.service quietcuff.service
Wants=systemd-journald.service
"""
NEEDLESS = (
    "systemd-udevd.service",
    "systemd-udev-trigger.service",
    "systemd-logind.service",
    "ldconfig.service",
    "systemd-resolved.service",
    "systemd-timesyncd.service",
    "systemd-hwdb-update.service",
    "systemd-journal-catalog-update.service",
    "systemd-journal-flush.service",
    "e2scrub_reap.service",
)


SCANNER = """
import asyncio
from bleak import BleakScanner
async def main():
    async with BleakScanner(service_uuids=["00001810-0000-1000-8000-00805f9b34fb"]):
        await asyncio.sleep(5)
        print("scans", flush=True)
        await asyncio.sleep(600)
asyncio.run(main())
"""


def resident(pid: str) -> float:
    """MB: VmRSS of proc(5)."""
    (line,) = (line for line in Path(f"/proc/{pid}/status").read_text().splitlines() if line.startswith("VmRSS:"))
    return round(int(line.split()[1]) / 1024, 1)


def largest(pid: str) -> dict[str, float]:
    """MB resident of the six largest mappings: smaps of proc(5)."""
    found: dict[str, float] = {}
    name = ""
    for line in Path(f"/proc/{pid}/smaps").read_text().splitlines():
        if line.startswith("Rss:"):
            found[name] = found.get(name, 0) + int(line.split()[1]) / 1024
        elif "-" in line.split(" ")[0]:
            name = Path(line.split(maxsplit=5)[5]).name if len(line.split(maxsplit=5)) > 5 else "anonymous"
    return {name: round(size, 1) for name, size in sorted(found.items(), key=lambda item: -item[1])[:6]}


def run(*command: str) -> str:
    done = subprocess.run(command, capture_output=True, text=True, timeout=120)
    return (done.stdout + done.stderr).strip()


def first_process() -> str | None:
    return next(
        (
            path.parent.name
            for path in Path("/proc").glob("[0-9]*/cmdline")
            if path.read_bytes().startswith(b"/lib/systemd/systemd\0--system")
        ),
        None,
    )


async def inside(*command: str) -> str:
    """Run a command where systemd is the first process; the air goes on meanwhile."""
    systemd = first_process()
    if systemd is None:
        return ""
    return await asyncio.to_thread(run, "nsenter", "--target", systemd, "--pid", "--mount", *command)


async def show(name: str) -> str:
    return await inside("systemctl", "show", "quietcuff", "--property", name, "--value")


def install() -> None:
    """As docs/install.md has it, with this checkout and its dependencies where the venv would be."""
    library = PROGRAM.parents[1] / "lib"
    for number, folder in enumerate([str(PROJECT), *(path for path in sys.path if path.endswith("-packages"))]):
        there = library / str(number)
        there.mkdir(parents=True)
        run("mount", "--bind", folder, str(there))
    paths = ":".join(str(path) for path in sorted(library.iterdir()))
    PROGRAM.parent.mkdir(parents=True)
    PROGRAM.write_text(
        f'#!/bin/sh\nexport PYTHONPATH={paths}\nexec /usr/bin/python3 -m collector.service.listen.main "$@"\n'
    )
    PROGRAM.chmod(0o755)
    units = Path("/etc/systemd/system")
    shutil.copy(PROJECT / "systemd/quietcuff.service", units)
    Path("/etc/sysusers.d").mkdir(exist_ok=True)
    shutil.copy(PROJECT / "systemd/quietcuff.sysusers", "/etc/sysusers.d/quietcuff.conf")
    say("sysusers: " + run("systemd-sysusers"))
    (units / "lab.target").write_text(TARGET)
    for name in NEEDLESS:
        (units / name).unlink(missing_ok=True)
        (units / name).symlink_to("/dev/null")
    shutil.rmtree("/var/lib/quietcuff", ignore_errors=True)


def boot_systemd() -> subprocess.Popen[bytes]:
    Path("/sys/fs/cgroup").mkdir(exist_ok=True)
    run("mount", "-t", "cgroup2", "cgroup2", "/sys/fs/cgroup")
    with open("systemd.log", "wb") as log:
        return subprocess.Popen(
            [
                "unshare",
                "--pid",
                "--mount",
                "--fork",
                "--mount-proc",
                "--kill-child",
                "/lib/systemd/systemd",
                "--system",
                "--unit=lab.target",
                "--log-target=console",
            ],
            stdout=log,
            stderr=log,
            stdin=subprocess.DEVNULL,
            env={"container": "lab", "PATH": "/usr/sbin:/usr/bin:/sbin:/bin"},
        )


async def until(text: str, ask: str, timeout_s: float = 240) -> None:
    end = time.monotonic() + timeout_s
    while (now := await show(ask)) != text:
        if time.monotonic() > end:
            status = await inside("systemctl", "status", "-l", "quietcuff")
            raise TimeoutError(f"{ask} is {now!r}, not {text!r}: {status}")
        await asyncio.sleep(0.5)


async def visit(cuff: VirtualCuff, count: int, wait_s: float = 10) -> dict[str, object]:
    before = len(cuff.measured)
    for number in range(count):
        cuff.measure(120 + before + number, 80, 93, pulse=60 + number)
    await cuff.wake()
    measured = cuff.measured[before:]
    end = time.monotonic() + wait_s
    while time.monotonic() < end and Collected(STORE).of(measured)["kept"] < count:  # noqa: ASYNC110
        await asyncio.sleep(0.2)
    return {"sent": count, "confirmed": sum(one in measured for one in cuff.confirmed), **Collected(STORE).of(measured)}


async def keep_journal() -> None:
    said = await inside("journalctl", "--no-pager", "-o", "short-monotonic")
    Path("journal.log").write_text(said)  # noqa: ASYNC240


def namespaces(pid: str) -> dict[str, bool]:
    """Whether the service shares these namespaces with the guest's first process."""
    return {
        name: os.readlink(f"/proc/{pid}/ns/{name}") == os.readlink(f"/proc/1/ns/{name}") for name in ("net", "user")
    }


def outer_pid() -> str:
    """The service's process as it is known out here."""
    for status in Path("/proc").glob("[0-9]*/cmdline"):
        words = status.read_bytes().split(b"\0")
        if b"collector.service.listen.main" in words:
            return status.parent.name
    raise LookupError("no listener")


def rights(pid: str) -> dict[str, object]:
    lines = Path(f"/proc/{pid}/status").read_text().splitlines()
    found = dict(line.split(":\t", 1) for line in lines if ":\t" in line)
    return {
        "effective": found["CapEff"],
        "bounding": found["CapBnd"],
        "seccomp": found["Seccomp"],
        "no_new_privs": found["NoNewPrivs"],
        "uid": int(found["Uid"].split()[0]),
    }


def bluetoothd() -> int | None:
    """Its process; None while there is none."""
    for path in Path("/proc").glob("[0-9]*/cmdline"):
        with contextlib.suppress(OSError):
            if path.read_bytes().split(b"\0")[0].endswith(b"/bluetoothd"):
                return int(path.parent.name)
    return None


async def hang(air: Air) -> None:
    """bluetoothd answers nobody for as long as it takes until the watchdog has the listener started again."""
    await until("active", "ActiveState")
    cuff = await air.cuff("Lab cuff", "F0:F1:F2:F3:F4:F5", MANNER)
    step("before", **await visit(cuff, 3))
    hung = bluetoothd()
    assert hung is not None
    os.kill(hung, signal.SIGSTOP)
    began = time.monotonic()
    say("bluetoothd hangs")
    while await show("NRestarts") == "0" and time.monotonic() - began < 600:  # noqa: ASYNC110
        await asyncio.sleep(2)
    step("hung", seconds=round(time.monotonic() - began), restarts=await show("NRestarts"))
    os.kill(hung, signal.SIGCONT)
    await until("active", "ActiveState")
    step("afterwards", **await visit(cuff, 5, wait_s=60), sources=dict(Collected(STORE).sources))


async def crash(air: Air) -> None:
    """bluetoothd ends by a fault of its own; Debian 12's unit leaves it down."""
    await until("active", "ActiveState")
    cuff = await air.cuff("Lab cuff", "F0:F1:F2:F3:F4:F5", MANNER)
    step("before", **await visit(cuff, 3))
    say("bluetoothd crashes")
    before = bluetoothd()
    assert before is not None
    os.kill(before, signal.SIGSEGV)
    end = time.monotonic() + 60
    while bluetoothd() in (before, None) and time.monotonic() < end:  # noqa: ASYNC110
        await asyncio.sleep(0.5)
    another = bluetoothd() not in (before, None)
    await asyncio.sleep(5)
    step("after a crash", **await visit(cuff, 4, wait_s=60), another=another)
    await real_crash(air)


async def real_crash(air: Air) -> None:
    """A cuff that leaves before it has answered bluetoothd's first request: 5.66 crashes over it, 5.82 does not."""
    say("a cuff that leaves at the first request")
    hasty = replace(MANNER, drop=Drop("mtu", times=4), advertises_s=20.0)
    cuff = await air.cuff("Hasty cuff", "F0:F1:F2:F3:F4:F6", hasty)
    before, seen = bluetoothd(), set()
    for _ in range(5):
        speaking = asyncio.create_task(visit(cuff, 1, wait_s=1))
        while not speaking.done():
            seen.add(bluetoothd())
            await asyncio.sleep(0.2)
    end = time.monotonic() + 60
    while bluetoothd() is None and time.monotonic() < end:  # noqa: ASYNC110
        await asyncio.sleep(0.5)
    crashed, back = seen - {before} != set(), bluetoothd() is not None
    await asyncio.sleep(5)
    calm = await air.cuff("Calm cuff", "F0:F1:F2:F3:F4:F7", MANNER)
    step("after a real crash", **await visit(calm, 3, wait_s=60), crashed=crashed, back=back, cuts=cuff.cuts.total())


async def main() -> None:
    install()
    air = Air()
    await air.plug_controller(0)
    say("booting systemd")
    systemd = boot_systemd()
    try:
        await PARTS[sys.argv[1] if len(sys.argv) > 1 else "steps"](air)
    finally:
        await keep_journal()
        systemd.send_signal(signal.SIGKILL)
    step("done")


async def steps(air: Air) -> None:
    for _ in range(240):
        if await show("ActiveState") in ("activating", "active"):
            break
        await asyncio.sleep(0.5)
    await until("active", "ActiveState")
    say("the service is ready")
    pid = outer_pid()
    state = os.stat("/var/lib/quietcuff")
    step(
        "started",
        rights=rights(pid),
        shares=namespaces(pid),
        state=oct(state.st_mode & 0o777),
        store=oct(os.stat(STORE).st_mode & 0o777),
    )
    await asyncio.sleep(5)
    cuff = await air.cuff("Lab cuff", "F0:F1:F2:F3:F4:F5", MANNER)
    say("first visit")
    step("first visit", **await visit(cuff, 3))
    say("a later one")
    step("later visit", **await visit(cuff, 5))
    step(
        "conditions",
        told=Collected(STORE).conditions,
        sources=dict(Collected(STORE).sources),
        descriptors=await show("NFileDescriptorStore"),
    )

    pid = outer_pid()
    scanner = await asyncio.create_subprocess_exec(sys.executable, "-c", SCANNER, stdout=subprocess.PIPE)
    assert scanner.stdout
    say("a bare scanner: " + (await scanner.stdout.readline()).decode().strip())
    step("memory", service_mb=resident(pid), scanner_mb=resident(str(scanner.pid)), largest=largest(pid))
    scanner.kill()
    await scanner.wait()

    say("killed in the middle of a visit; the cuff goes on speaking")
    before = len(cuff.confirmed)
    speaking = asyncio.create_task(visit(cuff, 8, wait_s=120))
    while len(cuff.confirmed) == before and not speaking.done():  # noqa: ASYNC110
        await asyncio.sleep(0.05)
    os.kill(int(pid), signal.SIGKILL)
    at_kill = len(cuff.confirmed) - before
    step("while it was down", **await speaking, confirmed_when_killed=at_kill)
    await until("active", "ActiveState")
    step("back again", restarts=await show("NRestarts"), descriptors=await show("NFileDescriptorStore"))

    say("stopped for good")
    began = time.monotonic()
    await inside("systemctl", "stop", "quietcuff")
    seconds = round(time.monotonic() - began, 1)
    step("stopped", seconds=seconds, result=await show("Result"), status=await show("ExecMainStatus"))


PARTS: dict[str, Callable[[Air], Awaitable[None]]] = {"steps": steps, "hang": hang, "crash": crash}

asyncio.run(main())

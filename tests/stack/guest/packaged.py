"""The promise by the Debian package's own service, under the machine's own systemd and BlueZ.

Run by the package's Python, with nothing of this project in the guest but the package, the jobs and what they need.
"""

import asyncio
import platform
import subprocess
import sys
import time
from pathlib import Path

from air import Air
from machine import Collected, Program, adapter_there
from one_visit import visit
from report import say, step

from collector.radio.virtual.behaviour import Behaviour

STORE, UNPROTECTED = "/var/lib/quietcuff/quietcuff.db", "/run/unprotected.db"
MANNER = Behaviour(interval_ms=250, lingers_s=3.0, patience_s=240.0, advertises_s=240.0)
WITHOUT_RIGHT = """[Service]
AmbientCapabilities=
CapabilityBoundingSet=
"""


async def run(*command: str) -> str:
    done = await asyncio.to_thread(subprocess.run, command, capture_output=True, text=True, timeout=300)
    return str(done.stdout + done.stderr).strip()


async def show(name: str, unit: str = "quietcuff") -> str:
    return await run("systemctl", "show", unit, "--property", name, "--value")


async def journal() -> str:
    return await run("journalctl", "--unit", "quietcuff", "--output", "cat", "--no-pager")


async def active(unit: str = "quietcuff", timeout_s: float = 300) -> None:
    end = time.monotonic() + timeout_s
    while await show("ActiveState", unit) != "active":
        if time.monotonic() > end:
            raise TimeoutError(f"{unit} is not active: {await run('systemctl', 'status', '-l', unit)}")
        await asyncio.sleep(1)


async def main() -> None:
    say(f"job begins {Path('/proc/uptime').read_text().split()[0]} s after boot")  # noqa: ASYNC240
    air = Air()
    await air.plug_controller(0)
    await active("bluetooth")
    assert await adapter_there("hci0", 120)
    await active()
    step(
        "started",
        processor=platform.machine(),
        package=await run("dpkg-query", "-W", "-f", "${Architecture} ${Status}", "quietcuff"),
        first_process=Path("/proc/1/comm").read_text().strip(),  # noqa: ASYNC240
        whole=await run("systemctl", "is-system-running", "--wait"),
        kernel=platform.release(),
        bluetoothd=(await run("/usr/libexec/bluetooth/bluetoothd", "--version")),
        python=platform.python_version(),
        collector=sys.modules["collector"].__path__[0],
    )
    await asyncio.sleep(5)
    await promise(air)
    await without_right(air)
    await unprotected(air)
    Path("journal.log").write_text(await run("journalctl", "--no-pager", "-o", "short-monotonic"))  # noqa: ASYNC240


async def promise(air: Air) -> None:
    cuff = await air.cuff("Lab cuff", "F0:F1:F2:F3:F4:F5", MANNER)
    say("first visit")
    step("first visit", **await visit(cuff, 3, STORE))
    say("a later one")
    step("later visit", **await visit(cuff, 5, STORE))
    say("the service started again")
    await run("systemctl", "restart", "quietcuff")
    await active()
    await asyncio.sleep(3)
    step("after listen started again", **await visit(cuff, 5, STORE))
    say("bluetoothd started again")
    before = (await journal()).count("Bluetooth is back")
    await run("systemctl", "restart", "bluetooth")
    for _ in range(60):
        if (await journal()).count("Bluetooth is back") > before:
            break
        await asyncio.sleep(1)
    step("first connection after bluetoothd started again", **await visit(cuff, 5, STORE))
    step(
        "store",
        **Collected(STORE).in_all(),
        descriptors=await show("NFileDescriptorStore"),
        memory_mb=int(await show("MemoryCurrent")) // 1_000_000,
    )


async def without_right(air: Air) -> None:
    say("the same without the right to read the monitor channel")
    folder = Path("/etc/systemd/system/quietcuff.service.d")
    folder.mkdir(parents=True)  # noqa: ASYNC240
    (folder / "without.conf").write_text(WITHOUT_RIGHT)
    await run("systemctl", "daemon-reload")
    await run("systemctl", "stop", "quietcuff")  # its kept descriptors go with it
    await run("systemctl", "start", "quietcuff")
    await active()
    await asyncio.sleep(3)
    cuff = await air.cuff("Second cuff", "F0:F1:F2:F3:F4:F6", MANNER)
    step("without the right: first visit", **await visit(cuff, 3, STORE))
    step("without the right: later visit", **await visit(cuff, 5, STORE))
    step("without the right: told", conditions=Collected(STORE).conditions)
    say("stopped for good")
    await run("systemctl", "stop", "quietcuff")
    step("clean end", result=await show("Result"), status=await show("ExecMainStatus"))


async def unprotected(air: Air) -> None:
    """The proof that the lab can tell: what the obvious way of subscribing loses."""
    say("with witness and standing subscription both off: this must lose records")
    cuff = await air.cuff("Third cuff", "F0:F1:F2:F3:F4:F7", MANNER)
    listener = Program("listen-unprotected", [sys.executable, "-m", "unprotected", UNPROTECTED])
    await listener.says("listening")
    await asyncio.sleep(3)
    step("unprotected: first visit", **await visit(cuff, 3, UNPROTECTED))
    await listener.says("visit ended")
    await asyncio.sleep(3)
    step("unprotected: later visit", **await visit(cuff, 5, UNPROTECTED))
    await listener.end()


asyncio.run(main())

"""From a bare Debian 13 to the first reading in a browser, by README's three lines, typed at the machine's terminal.

The machine is emulated: kernel, systemd, bluetoothd, nothing of this project. Its Bluetooth controller is at a serial
line, as a Raspberry Pi's is, its network QEMU's own. At the other ends are this test's: the person at the terminal, a
virtual cuff on the air, a browser. One command, as root, a quarter of an hour:

    .venv/bin/python -m pytest -m 'stack and long' tests/stack/test_three_commands.py -s

.ci/packages-debian names what it needs. QUIETCUFF_DEB names a package that was built already.
"""

import asyncio
import hashlib
import os
import re
import shutil
import signal
import socket
import ssl
import subprocess
import time
from collections.abc import AsyncIterator
from contextlib import asynccontextmanager, suppress
from pathlib import Path

import pytest
from browser import chromium, device, sign_in
from paced import PacedLink
from playwright.async_api import Page
from served import ServedAdapter
from stack_lab import StackLab, descendants
from terminal import Terminal

from collector.radio.virtual import Behaviour, VirtualCuff

pytestmark = [pytest.mark.stack, pytest.mark.long, pytest.mark.timeout(3600)]
ONLY_SUITE = "trixie-amd64"
ROOT = Path(__file__).parents[2]
PROMPT = "visitor@station:~$ "
BARE = """echo station > /proc/sys/kernel/hostname
echo 127.0.1.1 station >> /etc/hosts
useradd --create-home --shell /bin/bash visitor
echo 'visitor ALL=(ALL) NOPASSWD: ALL' > /etc/sudoers.d/visitor
cp quietcuff_*.deb /home/visitor/
btattach --bredr /dev/ttyS1 --protocol h4 > btattach.log 2>&1 &
TERM=vt220 setsid agetty --autologin visitor --noissue --keep-baud 115200 ttyS2 vt220 &
until [ -e end ]; do sleep 1; done
journalctl --no-pager --output short-monotonic > journal.log
"""
"""The machine before the person comes: a name, an account that may use sudo, a controller at the second serial line."""
PATIENT = Behaviour(interval_ms=250, lingers_s=3.0, patience_s=240.0, advertises_s=240.0)
"""A cuff with time: software that emulates a machine is slow."""
ANSWERS = (
    ("Time zone [", "Europe/Lisbon"),
    ("Who is measured?", "anna"),
    ("emergency number", "112"),
    ("for anything else? [Y/n]", ""),
    ("see the page? [y/N]", "y"),
    ("reach this computer? [station.local]", ""),
)


def three_lines() -> list[str]:
    """As README has them, for this processor."""
    (block,) = re.findall(
        r"```sh\n(sudo apt install \./quietcuff_.*?)```", (ROOT / "README.md").read_text("utf-8"), re.S
    )
    return str(block).replace("_arm64.deb", "_amd64.deb").splitlines()


@pytest.fixture(scope="module")
def package(tmp_path_factory: pytest.TempPathFactory) -> Path:
    if "QUIETCUFF_DEB" in os.environ:
        return Path(os.environ["QUIETCUFF_DEB"])
    folder = tmp_path_factory.mktemp("package")
    subprocess.run([ROOT / "systemd/debian/build", "amd64", folder], check=True, timeout=1800)
    (built,) = folder.glob("*.deb")
    return built


def free_port() -> int:
    with socket.create_server(("127.0.0.1", 0)) as one:
        return int(one.getsockname()[1])


@asynccontextmanager
async def machine(lab: StackLab, work: Path, port: int) -> AsyncIterator[Terminal]:
    """Switched on, somebody at its terminal; what comes to `port` here reaches the page's there."""
    extra = f"""-serial mon:stdio -serial unix:{work}/cable -serial unix:{work}/person,server=on,wait=off
        -netdev user,id=net,restrict=on,hostfwd=tcp:127.0.0.1:{port}-10.0.2.15:8140 -device virtio-net-pci,netdev=net"""
    process = await asyncio.create_subprocess_exec(
        *lab.command(work, 3000),
        stdout=asyncio.subprocess.DEVNULL,
        stderr=asyncio.subprocess.DEVNULL,
        env=lab.environment | {"QUIETCUFF_LAB_QEMU": extra},
    )
    terminal = await Terminal.at(work / "person", PROMPT, 60)
    try:
        yield terminal
        (work / "end").touch()
        assert await asyncio.wait_for(process.wait(), 300) == 0, (work / "console.log").read_text()[-2000:]
    finally:
        (work / "terminal.txt").write_text(terminal.shown())
        for pid in reversed(descendants(process.pid)):
            with suppress(ProcessLookupError):
                os.kill(pid, signal.SIGKILL)
        await process.wait()
        await terminal.close()


async def tells(cuff: VirtualCuff) -> None:
    """As a person would, once more where nobody took it."""
    while set(cuff.measured) - set(cuff.confirmed):
        await cuff.wake()
        await asyncio.sleep(1)


async def seen(page: Page, pressure: str) -> None:
    """The keeper looks among the readings that nobody was given yet."""
    await page.get_by_role("link", name="Nobody's readings").click()
    async with asyncio.timeout(900):
        while not await page.get_by_text(pressure).first.is_visible():
            await asyncio.sleep(1)
            await page.reload()


async def test_from_a_bare_debian_to_the_first_reading_in_a_browser(
    lab: StackLab, package: Path, tmp_path: Path
) -> None:
    install, setup, invite = three_lines()
    version = re.search(r"quietcuff_\S+\.deb", install)
    assert version
    shutil.copy(package, tmp_path / version[0])
    (tmp_path / "job.sh").write_text(BARE)
    port, took, cuff = free_port(), {}, VirtualCuff("Lab cuff", "F0:F1:F2:F3:F4:F5", PATIENT)
    began = time.monotonic()

    def noted(what: str) -> None:
        nonlocal began
        took[what], began = round(time.monotonic() - began), time.monotonic()
        print(f"{what}: {took[what]} s", flush=True)

    async with (
        ServedAdapter(tmp_path / "cable", PacedLink()) as dongle,
        machine(lab, tmp_path, port) as terminal,
        chromium(f"--host-resolver-rules=MAP station.local:8140 127.0.0.1:{port}") as browser,
        device(browser, ignore_https_errors=True) as (_, page),
    ):
        page.set_default_timeout(300_000)
        await cuff.plug_in(dongle.link)
        await terminal.shows(PROMPT, 600)
        noted("switched on, until somebody can type")
        await terminal.command(install)
        noted(install)
        told = await terminal.command(setup, ANSWERS)
        assert "fine       service" in told, told
        assert "fine       adapter" in told, told
        noted(setup)
        invited = await terminal.command(invite)
        noted(invite)

        link = re.search(r"https://station\.local:8140/in/\S+", invited)
        assert link, invited
        shown = await asyncio.to_thread(ssl.get_server_certificate, ("127.0.0.1", port), timeout=300)
        fingerprint = hashlib.sha256(ssl.PEM_cert_to_DER_cert(shown)).digest().hex(":").upper()
        assert fingerprint in invited, "the person compares it with the browser's"
        await sign_in(page, link[0])
        noted("the link opened")
        cuff.measure(128, 81, 97, pulse=64)
        measuring = asyncio.create_task(tells(cuff))
        await seen(page, "128/81")
        noted("measured, until it shows")
        measuring.cancel()
    print(f"from the first command to 128/81 in the browser: {sum(list(took.values())[1:])} s")

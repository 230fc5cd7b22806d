"""A service that hangs is restarted: the real process under a supervisor that does what systemd does.

Source: sd_notify(3) and systemd.service(5), WatchdogSec=: silence for longer than WATCHDOG_USEC ends it with SIGABRT,
and Restart=always starts it again.
"""

import os
import signal
import socket
import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path

import pytest

LIMIT_S = 2.0
SERVICE = """
import asyncio, sys, time
from pathlib import Path

from collector.service.listen import log, supervise
from collector.service.config import Config
from collector.service.listen.assemble import listen

class Radio:
    source = "test"
    progress = time.monotonic()

    async def run(self, desk, plan, stop):
        while not stop.is_set():
            if sys.argv[2] == "the radio hangs":
                await asyncio.Event().wait()
            if sys.argv[2] == "the event loop hangs":
                time.sleep(600)
            self.progress = time.monotonic()
            await asyncio.sleep(0.05)

supervise.feed_watchdog.__defaults__ = (0.5,)  # instead of three minutes
log.set_up()
asyncio.run(listen(Path(sys.argv[1]), Config(), Radio()))
"""


class Supervisor:
    """Starts the service and hears what it says of itself."""

    def __init__(self, folder: Path) -> None:
        self.folder = folder
        self.socket = socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM)
        self.socket.bind(str(folder / "notify"))
        self.process: subprocess.Popen[str]

    def start(self, how: str) -> None:
        environment = os.environ | {
            "NOTIFY_SOCKET": str(self.folder / "notify"),
            "WATCHDOG_USEC": str(int(LIMIT_S * 1e6)),
        }
        environment.pop("WATCHDOG_PID", None)
        self.process = subprocess.Popen(
            [sys.executable, "-c", SERVICE, str(self.folder / "store.db"), how],
            env=environment,
            stderr=subprocess.PIPE,
            text=True,
        )

    def hears(self, seconds: float) -> str | None:
        """The next that it says, None for silence."""
        self.socket.settimeout(seconds)
        try:
            return self.socket.recv(4096).decode()
        except TimeoutError:
            return None

    def until_ready(self) -> None:
        while (said := self.hears(60)) is None or not said.startswith("READY=1"):
            assert said is not None, self.end(signal.SIGABRT)

    def end(self, number: signal.Signals) -> str:
        self.process.send_signal(number)
        _, words = self.process.communicate(timeout=30)
        return words


@pytest.fixture
def supervisor(tmp_path: Path) -> Iterator[Supervisor]:
    made = Supervisor(tmp_path)
    yield made
    made.process.kill()
    made.process.communicate()
    made.socket.close()


@pytest.mark.parametrize("how", ["the radio hangs", "the event loop hangs"])
def test_a_hang_is_silence_and_the_next_start_lives_on(supervisor: Supervisor, how: str) -> None:
    supervisor.start(how)
    supervisor.until_ready()
    signs = 0
    while supervisor.hears(LIMIT_S) == "WATCHDOG=1":
        signs += 1
        assert signs < 5, "it says that it lives and does not"
    words = supervisor.end(signal.SIGABRT)
    assert supervisor.process.returncode == -signal.SIGABRT
    if how == "the radio hangs":
        assert "the radio has shown no sign of life" in words
    supervisor.start("all is well")
    supervisor.until_ready()
    for _ in range(3):
        assert supervisor.hears(30) == "WATCHDOG=1"
    supervisor.end(signal.SIGTERM)
    assert supervisor.process.returncode == 0
    said = []
    while (word := supervisor.hears(0.1)) is not None:
        said.append(word)
    assert said[-1] == "STOPPING=1"

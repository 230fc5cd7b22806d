"""The listener that a command runs beside itself ends with it, also where the command is killed."""

import os
import shutil
import signal
import subprocess
import sys
import time
from pathlib import Path

import pytest

KILLED = """
import os, subprocess
from collector.cli.common.own_listener import ends_with_us
child = subprocess.Popen(ends_with_us(["sleep", "60"]), stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL)
while b"sleep" not in open(f"/proc/{child.pid}/cmdline", "rb").read().split(b"\\0")[:1]:
    pass
print(child.pid, flush=True)
os.kill(os.getpid(), 9)
"""


def runs(pid: int) -> bool:
    try:
        return b"sleep" in Path(f"/proc/{pid}/cmdline").read_bytes()
    except FileNotFoundError:
        return False


@pytest.mark.skipif(shutil.which("setpriv") is None, reason="needs util-linux's setpriv, which every Debian has")
def test_a_killed_command_leaves_no_listener() -> None:
    killed = subprocess.run([sys.executable, "-c", KILLED], capture_output=True, text=True, timeout=30)
    assert killed.returncode == -signal.SIGKILL, killed.stderr
    child, until = int(killed.stdout), time.monotonic() + 10
    try:
        while runs(child):
            assert time.monotonic() < until, "it goes on"
            time.sleep(0.01)
    finally:
        if runs(child):
            os.kill(child, signal.SIGKILL)

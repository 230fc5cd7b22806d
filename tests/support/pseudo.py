"""A program on a pseudo-terminal, for commands that talk with a person."""

import os
import pty
import select
import signal
import struct
import sys
import termios
from fcntl import ioctl

import pytest

PROGRAM = [sys.executable, "-c", "from collector.cli.main import run; run()"]
STUCK_S = 60.0


class Terminal:
    """A program on a pseudo-terminal."""

    def __init__(self, *args: str, columns: int = 80) -> None:
        self.output = ""
        self.at = 0
        self.pid, self.fd = pty.fork()
        if self.pid == 0:
            try:
                signal.signal(signal.SIGINT, signal.SIG_DFL)  # a run in the background ignores it and hands that on
                ioctl(0, termios.TIOCSWINSZ, struct.pack("HHHH", 40, columns, 0, 0))
                # Handed over explicitly: readline puts COLUMNS into the environment behind Python's back.
                environment = {name: value for name, value in os.environ.items() if name not in ("COLUMNS", "LINES")}
                os.execve(PROGRAM[0], [*PROGRAM, *args], environment)
            finally:
                os._exit(99)

    def until(self, *wanted: str) -> str:
        """Read on until one of these was written, wherever its lines break; what was written up to it since the last
        call."""
        begun = self.at
        while not (found := [(place, one) for one in wanted if (place := self.flat.find(one, begun)) >= 0]):
            ready, _, _ = select.select([self.fd], [], [], STUCK_S)
            assert ready, f"{wanted} does not come; so far: {self.flat[begun:]}"
            try:
                self.output += os.read(self.fd, 4096).decode()
            except OSError:
                pytest.fail(f"it ended before {wanted} came: {self.flat[begun:]}")
        place, first = min(found)
        self.at = place + len(first)
        return self.flat[begun : self.at]

    @property
    def flat(self) -> str:
        return " ".join(self.output.replace("\x1b[K", "").split())

    @property
    def widest(self) -> int:
        return max(map(len, self.output.replace("\x1b[K", "").splitlines()))

    def press(self, keys: str) -> None:
        os.write(self.fd, keys.encode())

    def end(self) -> tuple[str, int]:
        """What was still written, and the exit code."""
        while True:
            try:
                octets = os.read(self.fd, 4096)
            except OSError:
                break
            if not octets:
                break
            self.output += octets.decode()
        _, status = os.waitpid(self.pid, 0)
        os.close(self.fd)
        return self.flat[self.at :], os.waitstatus_to_exitcode(status)

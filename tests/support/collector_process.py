"""Collector processes to be killed: the real `listen` with the exclusive radio, on an adapter at a unix socket.

Run as a program it imports everything once and forks a collector for each line on its stdin ('store keys
adapter'), prints that one's process number, and reaps it when it ends.
"""

import asyncio
import os
import signal
import sys
from pathlib import Path


def main() -> None:
    import collector.radio.exclusive.link  # noqa: F401 (loads Bumble)
    from collector.radio.exclusive.adapter import ExclusiveRadio
    from collector.service.config import Config
    from collector.service.listen import log
    from collector.service.listen.assemble import listen

    for line in sys.stdin:
        store, keys, adapter = line.split()
        child = os.fork()
        if child == 0:
            signal.signal(signal.SIGCHLD, signal.SIG_DFL)
            log.set_up("warning")
            radio = ExclusiveRadio(adapter, Path(keys), pause_s=0.0)
            asyncio.run(listen(Path(store), Config(), radio))
            os._exit(0)
        print(child, flush=True)
        _, status = os.waitpid(child, 0)
        print("ended", os.waitstatus_to_exitcode(status), flush=True)


class Nursery:
    """Starts collectors and kills them, one at a time."""

    def __init__(self, store: Path, keys: Path, adapter: str) -> None:
        self._order = f"{store} {keys} {adapter}\n".encode()
        self.ended = 0  # exit code of the last one
        self._alive: int | None = None

    async def __aenter__(self) -> "Nursery":
        self._process = await asyncio.create_subprocess_exec(
            sys.executable, __file__, stdin=asyncio.subprocess.PIPE, stdout=asyncio.subprocess.PIPE
        )
        return self

    async def __aexit__(self, *_: object) -> None:
        assert self._process.stdin is not None
        if self._alive is not None:  # a test that failed leaves nothing running
            os.kill(self._alive, signal.SIGKILL)
        self._process.stdin.close()
        await self._process.wait()

    async def start(self) -> int:
        """A fresh collector's process number."""
        assert self._process.stdin is not None
        assert self._process.stdout is not None
        self._process.stdin.write(self._order)
        self._alive = int(await self._process.stdout.readline())
        return self._alive

    async def end(self, pid: int, how: signal.Signals) -> int:
        """Send the signal and wait for the end; returns the exit code, negative for the signal that killed it."""
        assert self._process.stdout is not None
        os.kill(pid, how)
        self.ended = int((await self._process.stdout.readline()).split()[1])
        self._alive = None
        return self.ended


if __name__ == "__main__":
    main()

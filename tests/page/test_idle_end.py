"""The page ends when nobody looks, and loses nobody who comes just then: late speakers under a supervisor."""

import os
import random
import select
import socket
import subprocess
import sys
import threading
import time
from pathlib import Path

import pytest
from fresh import fresh

IDLE_MINUTES = 0.4 / 60
START = """
import os, sys
os.environ["LISTEN_PID"], os.environ["LISTEN_FDS"] = str(os.getpid()), "1"
os.execv(sys.executable, [sys.executable, "-m", "collector.cli.main", *sys.argv[1:]])
"""


class Supervisor:
    """Holds the socket, and starts the page when somebody knocks and none runs."""

    def __init__(self, store: Path) -> None:
        self.socket = socket.socket()
        self.socket.bind(("127.0.0.1", 0))
        self.socket.listen(128)
        self.port = int(self.socket.getsockname()[1])
        self.starts = 0
        self._command = [sys.executable, "-c", START, "--store", str(store), "page", "run"]
        self._stop = threading.Event()
        self._thread = threading.Thread(target=self._run)

    def _child(self) -> subprocess.Popen[bytes]:
        def third() -> None:
            os.dup2(self.socket.fileno(), 3)
            os.set_inheritable(3, True)

        environment = {**os.environ, "QUIETCUFF_PAGE_IDLE_MINUTES": str(IDLE_MINUTES)}
        return subprocess.Popen(self._command, pass_fds=(3, self.socket.fileno()), preexec_fn=third, env=environment)

    def _run(self) -> None:
        while not self._stop.is_set():
            if select.select([self.socket], [], [], 0.1)[0]:
                self.starts += 1
                self._child().wait()

    def __enter__(self) -> "Supervisor":
        self._thread.start()
        return self

    def __exit__(self, *_: object) -> None:
        self._stop.set()
        self._thread.join(40)
        self.socket.close()


def ask(port: int, speaks_after: float) -> bool:
    """Whether an answer came to somebody who connected and spoke only later."""
    with socket.create_connection(("127.0.0.1", port), 40) as one:
        time.sleep(speaks_after)
        one.sendall(b"GET / HTTP/1.1\r\nHost: 127.0.0.1\r\nConnection: close\r\n\r\n")
        one.settimeout(40)
        answer = b""
        while octets := one.recv(65536):
            answer += octets
    return answer.startswith(b"HTTP/1.1 401")


def lost(store: Path, rounds: int) -> tuple[int, int]:
    """(late speakers without an answer, how often the page was started)."""
    chance = random.Random(7)
    missing = 0
    with Supervisor(store) as supervisor:
        for _ in range(rounds):
            answers: list[bool] = []

            def speak(answers: list[bool] = answers) -> None:
                answers.append(ask(supervisor.port, chance.uniform(0.3, 0.8)))

            speakers = [threading.Thread(target=speak) for _ in range(3)]
            for speaker in speakers:
                speaker.start()
                time.sleep(chance.uniform(0, 0.3))
            for speaker in speakers:
                speaker.join()
            missing += 3 - sum(answers)
            time.sleep(0.4 + chance.uniform(0, 0.5))  # lands in every phase of the end
    return missing, supervisor.starts


@pytest.mark.timeout(200)
def test_it_ends_and_is_started_again_and_loses_no_late_speaker(tmp_path: Path) -> None:
    fresh(tmp_path / "station.db").close()
    missing, starts = lost(tmp_path / "station.db", 4)
    assert missing == 0
    assert starts > 1, "it never ended, so nothing was tried"


@pytest.mark.long
@pytest.mark.timeout(900)
def test_a_hundred_and_fifty_late_speakers(tmp_path: Path) -> None:
    fresh(tmp_path / "station.db").close()
    missing, starts = lost(tmp_path / "station.db", 50)
    print(f"150 late speakers, {missing} lost, the page was started {starts} times")
    assert missing == 0
    assert starts > 5

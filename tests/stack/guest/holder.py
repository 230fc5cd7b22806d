"""Stands in for systemd's file descriptor store around a listener that is killed with -9 again and again.

It keeps what the listener hands in over $NOTIFY_SOCKET (FDSTORE=1, FDNAME=…; sd_notify(3)) and hands it to the next one
($LISTEN_FDS, $LISTEN_FDNAMES; sd_listen_fds(3)). Listeners are forked from this process, which has everything imported:
a start takes a second instead of twenty. `holder STORE SHORTEST LONGEST`: the life of a listener in seconds.
On SIGUSR1 it stops killing; on SIGTERM it ends the listener in good order, and itself.
"""

import contextlib
import fcntl
import os
import random
import select
import signal
import socket
import sys
import time

from bleak import BleakClient, BleakScanner  # noqa: F401  imported once for all listeners

import collector.radio.bluez.adapters
import collector.radio.bluez.agent
import collector.radio.bluez.channel
import collector.radio.bluez.station  # noqa: F401
import collector.service.listening  # noqa: F401
from collector.cli import main as command

NOTIFY = "/run/holder.sock"
FIRST = 3
kept: dict[str, int] = {}
killing, ending = True, False


def take_in(notify: socket.socket) -> None:
    """Keep what was handed in; a name that is known already keeps its first descriptor, as in systemd."""
    with contextlib.suppress(BlockingIOError):
        while True:
            message, descriptors, _, _ = socket.recv_fds(notify, 4096, 4)
            words = dict(line.split("=", 1) for line in message.decode().splitlines() if "=" in line)
            for descriptor in descriptors:
                name = words.get("FDNAME", "stored")
                if "FDSTORE" in words and name not in kept:
                    kept[name] = fcntl.fcntl(descriptor, fcntl.F_DUPFD, 100)
                os.close(descriptor)


def start(store: str) -> int:
    """Fork a listener that finds the kept descriptors where systemd would put them."""
    child = os.fork()
    if child:
        return child
    names = list(kept)
    for number, name in enumerate(names):
        os.dup2(kept[name], FIRST + number, inheritable=True)
    os.environ |= {"NOTIFY_SOCKET": NOTIFY, "LISTEN_PID": str(os.getpid()), "LISTEN_FDS": str(len(names)),
                   "LISTEN_FDNAMES": ":".join(names)}
    for number in (signal.SIGTERM, signal.SIGUSR1):
        signal.signal(number, signal.SIG_DFL)
    sys.argv = ["quietcuff", "--store", store, "listen", "--log", "debug"]
    try:
        command.run()
    except SystemExit as end:
        os._exit(end.code if isinstance(end.code, int) else 1)
    os._exit(0)


def on_signal(number: int, _: object) -> None:
    global killing, ending
    killing = False
    ending = ending or number == signal.SIGTERM


def main() -> None:
    store, shortest, longest = sys.argv[1], float(sys.argv[2]), float(sys.argv[3])
    chance = random.Random(20251125)
    notify = socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM)
    notify.bind(NOTIFY)
    high = socket.socket(fileno=fcntl.fcntl(notify.fileno(), fcntl.F_DUPFD, 90))  # 3 and 4 are the listener's
    notify.close()
    high.setblocking(False)
    for descriptor in (FIRST, FIRST + 1):
        with contextlib.suppress(OSError):
            os.close(descriptor)
    signal.signal(signal.SIGTERM, on_signal)
    signal.signal(signal.SIGUSR1, on_signal)
    kills = 0
    print("ready", flush=True)
    while not ending:
        child = start(store)
        end = time.monotonic() + chance.uniform(shortest, longest)
        while not ending and (not killing or time.monotonic() < end):
            select.select([high], [], [], 0.05)
            take_in(high)
            if os.waitpid(child, os.WNOHANG)[0]:
                print("a listener ended by itself", flush=True)
                time.sleep(1)
                break
        else:
            os.kill(child, signal.SIGTERM if ending else signal.SIGKILL)
            os.waitpid(child, 0)
            kills += not ending
            if kills % 10 == 0:
                print(f"killed {kills}, keeping {sorted(kept)}", flush=True)
    print(f"killed {kills} times", flush=True)


main()

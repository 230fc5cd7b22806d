"""Stands in for systemd's file descriptor store around a listener that is killed with -9 again and again.

It keeps what the listener hands in over $NOTIFY_SOCKET (FDSTORE=1, FDNAME=…; sd_notify(3)) and hands it to the next one
($LISTEN_FDS, $LISTEN_FDNAMES; sd_listen_fds(3)). Listeners are forked from this process, which has everything imported:
a start takes a second instead of twenty. `holder STORE SHORTEST LONGEST`: for how many seconds a listener may read.
On SIGUSR2 it begins to kill, on SIGUSR1 it stops; on SIGTERM it ends the listener in good order, and itself.
"""

import asyncio
import contextlib
import fcntl
import os
import random
import select
import signal
import socket
import sys
import time
from pathlib import Path

import apscheduler.schedulers.asyncio
import apscheduler.triggers.cron  # noqa: F401
import tzlocal  # noqa: F401
from bleak import BleakClient, BleakScanner  # noqa: F401

import collector.radio.bluez.adapters
import collector.radio.bluez.agent
import collector.radio.bluez.monitor.channel
import collector.radio.bluez.visits  # noqa: F401
from collector.service.config import Config
from collector.service.listen import log
from collector.service.listen.assemble import listen

NOTIFY = "/run/holder.sock"
FIRST = 3
SIGNALS = (signal.SIGTERM, signal.SIGUSR1, signal.SIGUSR2)
kept: dict[str, int] = {}
killing, ending = False, False


def take_in(notify: socket.socket) -> bool:
    """Keep what was handed in; a name that is known already keeps its first descriptor, as in systemd.

    Says whether anything was: the listener has just begun to read.
    """
    something = False
    with contextlib.suppress(BlockingIOError):
        while True:
            message, descriptors, _, _ = socket.recv_fds(notify, 4096, 4)
            words = dict(line.split("=", 1) for line in message.decode().splitlines() if "=" in line)
            for descriptor in descriptors:
                something = True
                name = words.get("FDNAME", "stored")
                if "FDSTORE" in words and name not in kept:
                    kept[name] = fcntl.fcntl(descriptor, fcntl.F_DUPFD, 100)
                os.close(descriptor)
    return something


def start(store: str) -> int:
    """Fork a listener that finds the kept descriptors where systemd would put them."""
    child = os.fork()
    if child:
        return child
    names = list(kept)
    for number, name in enumerate(names):
        os.dup2(kept[name], FIRST + number, inheritable=True)
    os.environ |= {
        "NOTIFY_SOCKET": NOTIFY,
        "LISTEN_PID": str(os.getpid()),
        "LISTEN_FDS": str(len(names)),
        "LISTEN_FDNAMES": ":".join(names),
    }
    for number in SIGNALS:
        signal.signal(number, signal.SIG_DFL)
    began = time.monotonic()
    print("a listener begins", flush=True)
    log.set_up("debug")
    asyncio.run(listen(Path(store), Config()))
    print(f"a listener ended after {time.monotonic() - began:.1f} s", flush=True)
    os._exit(0)


def on_signal(number: int, _: object) -> None:
    global killing, ending
    killing = number == signal.SIGUSR2
    ending = ending or number == signal.SIGTERM


def main() -> None:
    store, shortest, longest = sys.argv[1], float(sys.argv[2]), float(sys.argv[3])
    chance = random.Random(20251125)
    notify = socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM)
    with contextlib.suppress(FileNotFoundError):
        os.unlink(NOTIFY)
    notify.bind(NOTIFY)
    high = socket.socket(fileno=fcntl.fcntl(notify.fileno(), fcntl.F_DUPFD, 90))  # 3 and 4 are the listener's
    notify.close()
    high.setblocking(False)
    for descriptor in (FIRST, FIRST + 1):
        with contextlib.suppress(OSError):
            os.close(descriptor)
    for number in SIGNALS:
        signal.signal(number, on_signal)
    kills = reading = 0
    print("ready", flush=True)
    while not ending:
        child = start(store)
        began = False
        end = time.monotonic() + 60
        while not ending and (not killing or time.monotonic() < end):
            select.select([high], [], [], 0.02)
            if take_in(high) and not began:
                began, end = True, time.monotonic() + chance.uniform(shortest, longest)
            if os.waitpid(child, os.WNOHANG)[0]:
                print("a listener ended by itself", flush=True)
                time.sleep(1)
                break
        else:
            os.kill(child, signal.SIGTERM if ending else signal.SIGKILL)
            os.waitpid(child, 0)
            if not ending:
                kills += 1
                reading += began
                print(f"killed {kills}, keeping {sorted(kept)}", flush=True)
    print(f"killed {kills} times, {reading} of them while it read", flush=True)


main()

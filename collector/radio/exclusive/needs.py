"""What taking an adapter for ourselves needs, looked up without taking it."""

import socket
from importlib.util import find_spec
from pathlib import Path

AF_BLUETOOTH, BTPROTO_HCI = 31, 1  # linux/socket.h, net/bluetooth/bluetooth.h
CAP_NET_ADMIN = 12  # capabilities(7), linux/capability.h


def missing(status: Path = Path("/proc/self/status")) -> list[tuple[str, str]]:
    """What stands in the way of `--radio exclusive` for this process, each with its remedy; empty: nothing does."""
    found = []
    if find_spec("bumble") is None:
        found.append(("the host stack Bumble is not installed", "pip install 'quietcuff[virtual]'"))
    try:
        socket.socket(AF_BLUETOOTH, socket.SOCK_RAW, BTPROTO_HCI).close()
    except PermissionError:
        pass  # told below
    except OSError:
        found.append(("this kernel has no Bluetooth", "a USB dongle can be used without it: adapter = 'usb:0'"))
    if not _effective(status) >> CAP_NET_ADMIN & 1:
        found.append(("the right to take an adapter is missing (CAP_NET_ADMIN)", "see systemd/exclusive.conf"))
    return found


def _effective(status: Path) -> int:
    """The process's effective capabilities (proc(5), CapEff)."""
    for line in status.read_text("ascii").splitlines():
        if line.startswith("CapEff:"):
            return int(line.split()[1], 16)
    return 0

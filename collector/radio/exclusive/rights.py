"""How an adapter of our own is named, and what stands in the way of having it: known without the host stack."""

import socket
from importlib.util import find_spec
from pathlib import Path

AF_BLUETOOTH, BTPROTO_HCI = 31, 1  # linux/socket.h, net/bluetooth/bluetooth.h
CAP_NET_ADMIN = 12  # capabilities(7), linux/capability.h


def transport_of(adapter: str | None) -> str:
    """Where an adapter as the configuration names it is had: 'hci-socket:1' for 'hci1', the first one for None."""
    name = adapter or "hci0"
    return f"hci-socket:{name.removeprefix('hci')}" if name.startswith("hci") else name


def called(spec: str) -> str:
    """A transport as people know it: 'hci1' for 'hci-socket:1'."""
    kind, _, where = spec.partition(":")
    return f"hci{where or '0'}" if kind == "hci-socket" else spec


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
        found.append(
            ("the right to take an adapter is missing (CAP_NET_ADMIN)", "sudo; a service: systemd/exclusive.conf")
        )
    return found


def _effective(status: Path) -> int:
    """The process's effective capabilities (proc(5), CapEff)."""
    for line in status.read_text("ascii").splitlines():
        if line.startswith("CapEff:"):
            return int(line.split()[1], 16)
    return 0

"""Talks to systemd's notify socket; does nothing where there is none.

Source: sd_notify(3), systemd. The protocol is one datagram of KEY=VALUE lines to $NOTIFY_SOCKET.
"""

import os
import socket


def tell_systemd(*assignments: str) -> bool:
    """Send lines such as 'READY=1'. Says whether somebody was there to hear; never raises."""
    address = os.environ.get("NOTIFY_SOCKET", "")
    if not address.startswith(("/", "@")):
        return False
    if address.startswith("@"):
        address = "\0" + address[1:]
    try:
        with socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM | socket.SOCK_CLOEXEC) as sock:
            sock.sendto("\n".join(assignments).encode(), address)
    except OSError:
        return False
    return True


def watchdog_interval() -> float | None:
    """Seconds between signs of life that systemd asks for, halved as its manual advises; None: no watchdog."""
    if os.environ.get("WATCHDOG_PID") not in (None, str(os.getpid())):
        return None
    try:
        microseconds = int(os.environ["WATCHDOG_USEC"])
    except (KeyError, ValueError):
        return None
    return microseconds / 2e6 if microseconds > 0 else None

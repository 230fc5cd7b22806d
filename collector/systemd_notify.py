"""What this process says to systemd, and what systemd kept for it; does nothing where there is none.

Sources: sd_notify(3) (one datagram of KEY=VALUE lines to $NOTIFY_SOCKET; FDSTORE, FDNAME, FDPOLL), sd_listen_fds(3),
systemd.service(5) FileDescriptorStoreMax=. For kept descriptors the unit needs that, and NotifyAccess=main.
"""

import os
import socket

FIRST = 3  # SD_LISTEN_FDS_START


def tell_systemd(*assignments: str, descriptors: tuple[int, ...] = ()) -> bool:
    """Send lines such as 'READY=1'. Says whether somebody was there to hear; never raises."""
    address = os.environ.get("NOTIFY_SOCKET", "")
    if not address.startswith(("/", "@")):
        return False
    if address.startswith("@"):
        address = "\0" + address[1:]
    try:
        with socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM | socket.SOCK_CLOEXEC) as sock:
            sock.connect(address)
            message = "\n".join(assignments).encode()
            if descriptors:
                socket.send_fds(sock, [message], list(descriptors))
            else:
                sock.send(message)
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


def store_descriptor(name: str, descriptor: int) -> bool:
    """Hand a descriptor to the service manager for keeps. Says whether somebody was there to take it."""
    return tell_systemd("FDSTORE=1", f"FDNAME={name}", "FDPOLL=0", descriptors=(descriptor,))


def handed_in(name: str) -> int | None:
    """The descriptor that the service manager kept under this name, or None."""
    if os.environ.get("LISTEN_PID") != str(os.getpid()):
        return None
    try:
        count = int(os.environ.get("LISTEN_FDS", ""))
    except ValueError:
        return None
    names = os.environ.get("LISTEN_FDNAMES", "").split(":")
    for number, found in enumerate(names[:count]):
        if found == name:
            return FIRST + number
    return None

"""systemd's file descriptor store: keeps the witness's socket open while this process is down.

Sources: sd_listen_fds(3), sd_notify(3) (FDSTORE, FDNAME, FDPOLL), systemd.service(5) FileDescriptorStoreMax=.
The unit needs FileDescriptorStoreMax=2 and NotifyAccess=main.
"""

import os
import socket

FIRST = 3  # SD_LISTEN_FDS_START
WITNESS, MEMORY = "witness", "witness-memory"


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


def store(name: str, descriptor: int) -> bool:
    """Hand a descriptor to the service manager for keeps. Says whether somebody was there to take it."""
    address = os.environ.get("NOTIFY_SOCKET", "")
    if not address.startswith(("/", "@")):
        return False
    if address.startswith("@"):
        address = "\0" + address[1:]
    message = f"FDSTORE=1\nFDNAME={name}\nFDPOLL=0".encode()
    try:
        with socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM | socket.SOCK_CLOEXEC) as sock:
            sock.connect(address)
            socket.send_fds(sock, [message], [descriptor])
    except OSError:
        return False
    return True


def store_witness(descriptor: int) -> bool:
    """Keep the witness's socket open over our own death."""
    return store(WITNESS, descriptor)

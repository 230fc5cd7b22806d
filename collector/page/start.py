"""Everything from the configuration to a page that answers."""

import os
import socket
from collections.abc import Callable
from ipaddress import ip_address
from pathlib import Path

from collector.page.app import build
from collector.page.guard import Life
from collector.page.serving import handed_over, is_loopback, own_socket, serve
from collector.page.visitor import ServedStation
from collector.service.config import Config
from collector.service.config.settings import PageSettings
from collector.store.opening import open_store

EVERYWHERE = ("0.0.0.0", "::")
PATIENCE_S = 2.0
"""All visitors wait while one waits for another program's transaction."""
LOOPBACK = ("localhost", "127.0.0.1", "[::1]")


def start(path: Path, config: Config, say: Callable[[str], None]) -> None:
    """Until stopped, or idle where systemd's socket started it. Raises NoSocket, StoreError."""
    page = config.page
    sockets = handed_over()
    life = Life(page.idle_minutes * 60 if sockets else 0.0)
    sockets = sockets or [own_socket(page.address, page.port)]
    plain = is_loopback(sockets)
    files = None if plain else lambda: certificate_files(path, config)
    os.umask(0o077)
    with open_store(path) as store:
        store.wait_at_most(PATIENCE_S)
        where = sockets[0].getsockname()
        say(f"the page answers on http{'' if plain else 's'}://{_bracketed(where[0])}:{where[1]}")
        serve(build(ServedStation(store, config, path, life), hosts(page)), life, sockets, files)


def hosts(page: PageSettings) -> tuple[str, ...]:
    """What a Host header may say."""
    named = [page.name, page.address, *(own_addresses() if page.address in EVERYWHERE else ())]
    return (*LOOPBACK, *(_bracketed(name) for name in named if name and name not in EVERYWHERE))


def certificate_files(path: Path, config: Config) -> tuple[Path, Path]:
    """The admin's certificate and key, else the station's own, made where there is none."""
    page = config.page
    if page.certificate and page.certificate_key:
        return page.certificate, page.certificate_key
    from collector.page.certificate import folder_of, own_certificate

    wanted = {page.name, page.address, *own_addresses()} - {"", *EVERYWHERE}
    own = own_certificate(folder_of(path), tuple(sorted(wanted)))
    return own.certificate, own.key


def own_addresses() -> tuple[str, ...]:
    """This machine's address as its network sees it. Asks the routing table only: nothing is sent."""
    found = []
    for family, elsewhere in ((socket.AF_INET, "192.0.2.1"), (socket.AF_INET6, "2001:db8::1")):
        try:
            with socket.socket(family, socket.SOCK_DGRAM) as probe:
                probe.connect((elsewhere, 9))  # documentation addresses, RFC 5737 and RFC 3849
                found.append(str(probe.getsockname()[0]))
        except OSError:
            continue
    return tuple(address for address in found if not ip_address(address).is_loopback)


def _bracketed(name: str) -> str:
    return f"[{name}]" if ":" in name else name

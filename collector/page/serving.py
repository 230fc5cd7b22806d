"""Runs the page: on the sockets that systemd hands over, or on one of its own; ends when nobody comes any more.

The end loses nobody. A server that closes what it has accepted also closes on a phone that has connected and not spoken
yet, so this one stops accepting first, lets everybody finish, and then ends; whoever comes meanwhile waits in the
listening socket, which systemd holds and starts the next process for.
"""

import asyncio
import os
import socket
from collections.abc import Callable, Iterable
from contextlib import suppress
from ipaddress import ip_address
from pathlib import Path
from typing import Any

import uvicorn
from starlette.types import ASGIApp
from uvicorn.protocols.http.h11_impl import H11Protocol

from collector.page.guard import Life

FIRST_DESCRIPTOR = 3  # sd_listen_fds(3)
SILENT_S = 15.0
"""Browsers open connections in advance; one that says nothing for so long would keep the process awake for good."""
QUIET_LOOKS, LOOK_S = 5, 0.1
CERTIFICATE_TICKS = 100  # of the server's, a tenth of a second each
Files = Callable[[], tuple[Path, Path]]
"""The certificate's file and its key's, renewed where it is time for that; asked again and again."""
DEAD_PEER_MS = 60_000


class NoSocket(Exception):
    """What was handed over cannot be listened on; one line for a person."""


class Connection(H11Protocol):
    def connection_made(self, transport: Any) -> None:
        super().connection_made(transport)
        self.loop.call_later(SILENT_S, self._close_if_silent, transport)

    def _close_if_silent(self, transport: Any) -> None:
        if self.cycle is None and not transport.is_closing():
            transport.close()


class IdleServer(uvicorn.Server):
    def __init__(self, config: uvicorn.Config, life: Life, files: Files | None) -> None:
        super().__init__(config)
        self.life, self.files = life, files
        self._made = files and _made(files())

    async def on_tick(self, counter: int) -> bool:
        if counter % CERTIFICATE_TICKS == 0 and self.files:
            self._take_new_certificate(self.files)
        return await super().on_tick(counter) or (self.life.over() and not self.server_state.connections)

    def _take_new_certificate(self, files: Files) -> None:
        """One that was renewed holds from the next connection on; those that are open go on."""
        try:
            found = files()
            made = _made(found)
            if made != self._made and self.config.ssl:
                self.config.ssl.load_cert_chain(*found)
                self._made = made
        except OSError:  # ssl.SSLError too: half written, or none at the moment; the old one goes on
            pass

    async def shutdown(self, sockets: list[socket.socket] | None = None) -> None:
        self.life.ending.set()
        loop = asyncio.get_running_loop()
        for server in self.servers:
            for one in server.sockets:
                loop.remove_reader(one.fileno())  # not accepted any more, and not closed: the backlog stays
        quiet = 0
        while quiet < QUIET_LOOKS and not (self.force_exit or self._captured_signals):
            await asyncio.sleep(LOOK_S)
            quiet = 0 if self.server_state.connections or self.life.open else quiet + 1
        await super().shutdown(sockets)


def _made(files: tuple[Path, Path]) -> tuple[int, ...]:
    return tuple(file.stat().st_mtime_ns for file in files)


def serve(app: ASGIApp, life: Life, sockets: list[socket.socket], files: Files | None = None) -> None:
    """Until stopped or idle. files: of the certificate; None: plain, for this machine's own addresses."""
    certificate = files and files()
    config = uvicorn.Config(
        app,
        loop="asyncio",
        http=Connection,
        ws="none",
        lifespan="off",
        log_config=None,
        access_log=False,
        server_header=False,
        proxy_headers=False,
        h11_max_incomplete_event_size=16_384,
        timeout_keep_alive=5,
        timeout_graceful_shutdown=5,
        limit_concurrency=64,
        ssl_certfile=certificate and certificate[0],
        ssl_keyfile=certificate and certificate[1],
    )
    for one in sockets:
        with suppress(OSError):  # a phone that vanished is noticed within a minute; not every system can
            one.setsockopt(socket.IPPROTO_TCP, socket.TCP_USER_TIMEOUT, DEAD_PEER_MS)
    IdleServer(config, life, files).run(sockets=sockets)


def handed_over() -> list[socket.socket]:
    """systemd's sockets, or none. Raises NoSocket.

    Each is made from its descriptor alone, so that family and protocol are read from it: asyncio sends small answers
    at once only on a socket that says TCP.
    """
    if os.environ.get("LISTEN_PID") != str(os.getpid()):
        return []
    count = int(os.environ.get("LISTEN_FDS", "0"))
    for name in ("LISTEN_PID", "LISTEN_FDS", "LISTEN_FDNAMES"):
        os.environ.pop(name, None)
    return [_listening(descriptor) for descriptor in range(FIRST_DESCRIPTOR, FIRST_DESCRIPTOR + count)]


def _listening(descriptor: int) -> socket.socket:
    os.set_inheritable(descriptor, False)
    one = socket.socket(fileno=descriptor)
    if one.type != socket.SOCK_STREAM or not one.getsockopt(socket.SOL_SOCKET, socket.SO_ACCEPTCONN):
        raise NoSocket(f"descriptor {descriptor} is no listening stream socket; look at the .socket unit")
    one.setblocking(False)
    return one


def own_socket(address: str, port: int) -> socket.socket:
    """Listen there. Raises NoSocket."""
    family = socket.AF_INET6 if ":" in address else socket.AF_INET
    one = socket.socket(family, socket.SOCK_STREAM, socket.IPPROTO_TCP)
    try:
        one.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
        one.bind((address, port))
        one.listen(128)
    except OSError as error:
        one.close()
        raise NoSocket(
            f"{address} port {port}: cannot listen there ({(error.strerror or str(error)).lower()}); "
            "choose another with --port or [page] in the configuration"
        ) from error
    one.setblocking(False)
    return one


def is_loopback(sockets: Iterable[socket.socket]) -> bool:
    """Whether nobody outside this machine can reach them."""
    return all(ip_address(str(one.getsockname()[0]).partition("%")[0]).is_loopback for one in sockets)

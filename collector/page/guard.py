"""Stands before every route: whose address this is, where a form was sent from, and the headers of every answer."""

import asyncio
import time
from collections.abc import Iterable, Iterator
from contextlib import contextmanager

from starlette.responses import PlainTextResponse
from starlette.types import ASGIApp, Message, Receive, Scope, Send

POLICY = (
    "default-src 'none'; style-src 'self'; script-src 'self'; img-src 'self'; connect-src 'self'; frame-src 'self'; "
    "form-action 'self'; base-uri 'none'; frame-ancestors 'none'"
)
"""No inline script and nothing from elsewhere: a name with markup in it can run nothing (W3C, Content Security
Policy Level 3)."""

HEADERS = (
    (b"content-security-policy", POLICY.encode()),
    (b"referrer-policy", b"same-origin"),  # no-referrer would make our own forms send 'Origin: null'
    (b"x-content-type-options", b"nosniff"),
    (b"cache-control", b"no-store"),
    (b"cross-origin-opener-policy", b"same-origin"),
    (b"cross-origin-resource-policy", b"same-origin"),
    (b"permissions-policy", b"camera=(), microphone=(), geolocation=(), screen-wake-lock=(self)"),
    (b"x-robots-tag", b"noindex"),
)
READS = ("GET", "HEAD")


class Life:
    """idle_s: so many seconds without a request, and it is over; 0: never."""

    def __init__(self, idle_s: float = 0.0) -> None:
        self.idle_s = idle_s
        self.open = 0
        self.ending = asyncio.Event()
        """Set once the end has begun: whoever waits for news lets go."""
        self._last = time.monotonic()

    @contextmanager
    def request(self) -> Iterator[None]:
        self.open += 1
        try:
            yield
        finally:
            self.open -= 1
            self._last = time.monotonic()

    def over(self) -> bool:
        return bool(self.idle_s) and not self.open and time.monotonic() - self._last > self.idle_s


class Guard:
    """hosts: names and addresses that are ours; any other in the Host header is somebody's DNS rebinding.

    A form has to come from our own page: SameSite cookies alone do not see to that, since another port of this host
    is the same site (RFC 6265bis, section 5.2; Fetch Metadata for `Sec-Fetch-Site`).
    """

    def __init__(self, app: ASGIApp, hosts: Iterable[str], life: Life) -> None:
        self.app, self.hosts, self.life = app, frozenset(host.lower() for host in hosts), life

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        if scope["type"] != "http":
            return
        with self.life.request():
            refusal = self._refusal(scope)
            await (refusal or self.app)(scope, receive, _with_headers(send))

    def _refusal(self, scope: Scope) -> PlainTextResponse | None:
        hosts = [value for name, value in scope["headers"] if name == b"host"]
        if len(hosts) != 1 or _name(hosts[0]) not in self.hosts:
            return PlainTextResponse("This address is not the station's. Use the one on your invitation.", 421)
        if scope["method"] not in READS and not _from_us(scope, hosts[0]):
            return PlainTextResponse("This was sent from another page, so nothing was done.", 403)
        return None


def _with_headers(send: Send) -> Send:
    async def out(message: Message) -> None:
        if message["type"] == "http.response.start":
            had = {name for name, _ in message["headers"]}
            message["headers"] = [*message["headers"], *(pair for pair in HEADERS if pair[0] not in had)]
        await send(message)

    return out


def _from_us(scope: Scope, host: bytes) -> bool:
    headers = dict(scope["headers"])
    origin, site = headers.get(b"origin"), headers.get(b"sec-fetch-site")
    ours = scope["scheme"].encode() + b"://" + host
    if origin is not None and origin != ours:
        return False
    return bool(site == b"same-origin" if site is not None else origin == ours)


def _name(host: bytes) -> str:
    """The host without its port; an IPv6 address keeps its brackets."""
    text = host.decode("latin-1").lower()
    if text.startswith("["):
        return text.partition("]")[0] + "]"
    return text.partition(":")[0].rstrip(".")

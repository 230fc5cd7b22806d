"""Who is asking, what they may, and what they sent."""

import secrets
import time
from collections.abc import Awaitable, Callable
from dataclasses import dataclass, field
from datetime import UTC, datetime
from functools import wraps
from pathlib import Path
from typing import Any
from urllib.parse import parse_qs
from zoneinfo import ZoneInfo

from starlette.requests import Request
from starlette.responses import RedirectResponse, Response

from collector.page.guard import Life
from collector.service.config import Config, zone_of
from collector.store import audit, people
from collector.store.database import Store
from collector.store.errors import StoreError
from collector.store.people import page_devices
from collector.store.people.page_devices import OF_ONE_PERSON, Device, Role
from collector.store.people.persons import Person


def row_of(text: str) -> int | None:
    """A row's number as a form or a browser sends it, no longer than any that SQLite has."""
    return int(text) if text.isdecimal() and len(text) <= 18 else None


Handler = Callable[[Request], Awaitable[Response]]
ANYBODY = frozenset({"anybody"})
REFUSALS = ("refused", "clock")
"""Kinds of StoreError that are about what was asked, not about the store."""
LONGEST_FORM = 20_000  # octets
WRONG_LINKS, WINDOW_S, ADDRESSES = 20, 600.0, 1000


@dataclass(slots=True)
class ServedStation:
    """What every route works with. One store, on the event loop's thread."""

    store: Store
    config: Config
    path: Path
    life: Life
    zone: ZoneInfo = field(init=False)
    wrong: dict[str, list[float]] = field(default_factory=dict)  # address: when it sent wrong links

    def __post_init__(self) -> None:
        self.zone = ZoneInfo(zone_of(self.config))

    @property
    def emergency(self) -> str:
        return self.config.station.emergency_number

    def now(self) -> datetime:
        """By the station's wall clock."""
        return datetime.now(UTC).astimezone(self.zone)

    def too_many(self, address: str) -> bool:
        """Whether so many wrong links came from there that no other is looked at for a while."""
        if len(self.wrong) > ADDRESSES:
            self.wrong.clear()
        now = time.monotonic()
        recent = [at for at in self.wrong.get(address, []) if now - at < WINDOW_S]
        self.wrong[address] = recent
        return len(recent) >= WRONG_LINKS


class RequestRefused(Exception):
    """Answered with a page of its own. status: 401, 403, 404, 413 or 422."""

    def __init__(self, status: int, what: str = "") -> None:
        super().__init__(what)
        self.status = status


def station_of(request: Request) -> ServedStation:
    found: ServedStation = request.app.state.station
    return found


def cookie_name(request: Request) -> str:
    """With TLS the name itself makes a browser insist on Secure and on this host alone (RFC 6265bis, 4.1.3.2)."""
    return "__Host-quietcuff" if request.url.scheme == "https" else "quietcuff"


def device(request: Request) -> Device:
    """Whoever got past `need`."""
    found: Device = request.state.device
    return found


def may(*roles: Role) -> Callable[[Handler], Handler]:
    """The only way to make a route, `anybody` apart: who may use it is part of it, so that a test can list them."""

    def wrap(handler: Handler) -> Handler:
        @wraps(handler)
        async def guarded(request: Request) -> Response:
            station = station_of(request)
            token = request.cookies.get(cookie_name(request), "")
            now = datetime.now(UTC)
            found = page_devices.device_of(station.store, token, now) if token else None
            if found is None:
                raise RequestRefused(401)
            if found.role not in roles:
                raise RequestRefused(403)
            page_devices.note_visit(station.store, found, now)
            request.state.device = found
            acting = audit.acting.set(found.name)
            try:
                return await handler(request)
            finally:
                audit.acting.reset(acting)

        guarded.roles = frozenset(roles)  # type: ignore[attr-defined]
        return guarded

    return wrap


def anybody(handler: Handler) -> Handler:
    handler.roles = ANYBODY  # type: ignore[attr-defined]
    return handler


def whose(request: Request) -> Person:
    """The person whose page this is. Raises RequestRefused as for nobody where it is not the visitor's to see."""
    number = request.path_params["person"]
    visitor = device(request)
    if visitor.role in OF_ONE_PERSON and visitor.row != number:
        raise RequestRefused(404)
    found = people.by_row(station_of(request).store, number)
    if found is None:
        raise RequestRefused(404)
    return found


async def form(request: Request) -> dict[str, str]:
    """What was sent, the last of each name. Raises RequestRefused for more than a page of ours ever sends."""
    body = b""
    async for part in request.stream():
        body += part
        if len(body) > LONGEST_FORM:
            raise RequestRefused(413)
    fields = parse_qs(body.decode("utf-8", "replace"), keep_blank_values=True)
    return {name: values[-1] for name, values in fields.items()}


def once_key() -> str:
    """For a hidden field: the same form sent twice is carried out once."""
    return secrets.token_urlsafe(16)


async def carried_out(
    request: Request, to: str, act: Callable[[], Any], data: dict[str, str] | None = None
) -> RedirectResponse:
    """Do what the form asks, once, and go on `to` a page. data: the form, where it was read already."""
    once(request, await form(request) if data is None else data, act)
    return RedirectResponse(to, 303)


def told(error: StoreError) -> str:
    """What the store says of what was asked, for beside the form. Whatever else is wrong is raised again."""
    if error.kind not in REFUSALS:
        raise error
    return str(error)


def once(request: Request, data: dict[str, str], act: Callable[[], Any]) -> None:
    """Carry the form out unless it was before. Raises StoreError, and then nothing of it is done."""
    station = station_of(request)
    with station.store.transaction():
        if page_devices.first_time(station.store, data.get("once") or once_key(), datetime.now(UTC)):
            act()

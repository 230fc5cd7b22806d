"""Cuffs: who uses which slot, the last visit, battery and clock, what it needs; a name, and letting a new one in."""

from dataclasses import dataclass
from datetime import UTC, datetime, timedelta

from starlette.requests import Request
from starlette.responses import RedirectResponse, Response

from collector.page.drawing import draw
from collector.page.visitor import Refused, form, may, once, room
from collector.service.guided.loan_papers import clock_words
from collector.service.notices import situation
from collector.share.report.days import made
from collector.share.text.cuff_text import name_problem, remarks
from collector.store.errors import StoreError
from collector.store.journal import cuffs
from collector.store.people import slot_spans
from collector.store.people.page_devices import Role

WINDOW = timedelta(minutes=10)
"""For so long new cuffs are taken in once somebody asks for it."""


@dataclass(frozen=True, slots=True)
class Shown:
    address: str
    name: str
    readings: int
    last_visit: str
    battery: int | None
    clock: str
    remarks: tuple[str, ...]
    slots: tuple[tuple[str, str], ...]  # which, whose


@may(Role.KEEPER)
async def list_cuffs(request: Request) -> Response:
    return _draw(request)


@may(Role.KEEPER)
async def name_cuff(request: Request) -> Response:
    around, address = room(request), _address(request)
    data = await form(request)
    name = data.get("name", "").strip()
    problem = name_problem(name)
    if problem:
        return _draw(request, 422, f"{problem[:1].upper()}{problem[1:]}.", address)
    try:
        once(request, data, lambda: cuffs.name(around.store, address, name or None, datetime.now(UTC)))
    except StoreError as error:
        if error.kind != "refused":
            raise
        return _draw(request, 422, str(error), address)
    return RedirectResponse("/cuffs", 303)


@may(Role.KEEPER)
async def let_in(request: Request) -> Response:
    around, data = room(request), await form(request)
    once(request, data, lambda: cuffs.open_window(around.store, datetime.now(UTC) + WINDOW))
    return RedirectResponse("/cuffs?open", 303)


@may(Role.KEEPER)
async def forget(request: Request) -> Response:
    around, address, data = room(request), _address(request), await form(request)
    once(request, data, lambda: cuffs.forget(around.store, address, datetime.now(UTC)))
    return RedirectResponse("/cuffs", 303)


def _draw(request: Request, status: int = 200, error: str = "", about: str = "") -> Response:
    around = room(request)
    now = {one.address: one for one in situation.look(around.store, around.config).cuffs}
    shown = [
        Shown(
            address=cuff.address,
            name=cuff.name or "",
            readings=cuff.readings,
            last_visit=made(cuff.last_visit.astimezone(around.zone)) if cuff.last_visit else "",
            battery=now[cuff.address].battery if cuff.address in now else None,
            clock=clock_words(now[cuff.address].clock_ahead_s) if cuff.address in now else "",
            remarks=remarks(cuff),
            slots=tuple(
                (
                    "any user" if span.slot == "any" else "no user" if span.slot is None else f"user {span.slot}",
                    span.person,
                )
                for span in slot_spans.every(around.store, cuff=cuff.address)
                if span.until is None
            ),
        )
        for cuff in cuffs.every(around.store)
    ]
    asked = "open" in request.query_params
    return draw(
        request,
        "cuffs.html",
        status,
        cuffs=shown,
        error=error,
        about=about,
        asked=asked,
        known_only=_known_only(request),
    )


def _known_only(request: Request) -> bool:
    return str(room(request).config.radio.accept) == "known"


def _address(request: Request) -> str:
    found = cuffs.find(room(request).store, request.path_params["cuff"])
    if found is None:
        raise Refused(404)
    return found

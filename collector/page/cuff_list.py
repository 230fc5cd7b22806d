"""Cuffs: who uses which slot, the last visit, battery and clock, what it needs; a name, and letting a new one in."""

from collections.abc import Callable, Iterator
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta

from starlette.requests import Request
from starlette.responses import RedirectResponse, Response

from collector.page.rendering import draw
from collector.page.series import latest
from collector.page.visitor import RequestRefused, ServedStation, carried_out, form, may, once, station_of, told
from collector.service.guided.loan_papers import clock_words
from collector.service.notices import situation
from collector.share.report.days import made
from collector.share.text.cuff_text import learned, name_problem, never_delivered, remarks, six_digits
from collector.store.database import Store
from collector.store.errors import StoreError
from collector.store.journal import cuffs, manners, pairing
from collector.store.people import slot_spans
from collector.store.people.page_devices import Role
from collector.store.readings import renewed_bonds

HERE = "/cuffs"
WINDOW = timedelta(minutes=10)
"""For so long new cuffs are taken in once somebody asks for it."""
LET_IN = "Let a new cuff in, below, and stay beside the cuff: the digits are asked for here"


@dataclass(frozen=True, slots=True)
class Shown:
    address: str
    name: str
    readings: int
    last_visit: str
    battery: int | None
    clock: str
    remarks: tuple[str, ...]
    needs: tuple[tuple[str, str], ...]  # what is so with it, and what to do
    renewed: bool  # its bond was made anew, and nobody has said that it is this cuff
    slots: tuple[tuple[str, str], ...]  # which, whose


@may(Role.KEEPER)
async def list_cuffs(request: Request) -> Response:
    return _draw(request)


@may(Role.KEEPER)
async def name_cuff(request: Request) -> Response:
    station, address = station_of(request), _address(request)
    data = await form(request)
    name = data.get("name", "").strip()
    problem = name_problem(name)
    if problem:
        return _draw(request, 422, f"{problem[:1].upper()}{problem[1:]}.", address)
    try:
        once(request, data, lambda: cuffs.name(station.store, address, name or None, datetime.now(UTC)))
    except StoreError as error:
        return _draw(request, 422, told(error), address)
    return RedirectResponse(HERE, 303)


@may(Role.KEEPER)
async def let_in(request: Request) -> Response:
    station, now = station_of(request), datetime.now(UTC)

    def open_and_wait() -> None:
        cuffs.open_window(station.store, now + WINDOW, now)
        pairing.wait(station.store, pairing.ANY, now + WINDOW)

    return await carried_out(request, HERE, open_and_wait)


@may(Role.KEEPER)
async def digits(request: Request) -> Response:
    """The answer to what the service wants to know of a cuff's display."""
    station, data = station_of(request), await form(request)
    address = request.path_params["cuff"]
    asked = pairing.questions(station.store, datetime.now(UTC)).get(address)
    if asked is None:
        return _draw(request, 409, "That was not asked any more. Start the cuff once more; it asks again.", address)
    said = six_digits(data.get("digits", "")) if asked.number is None else int(data.get("same") == "yes")
    if said is None:
        return _draw(request, 422, "Type all six digits that the cuff shows.", address)
    return await carried_out(request, HERE, lambda: pairing.give(station.store, address, said), data)


@may(Role.KEEPER)
async def as_new(request: Request) -> Response:
    """What was learned of it is forgotten: its next visit is like its first."""
    return await _at_cuff(request, manners.reset)


@may(Role.KEEPER)
async def confirm(request: Request) -> Response:
    """A bond that was made anew is that of this cuff."""
    return await _at_cuff(request, renewed_bonds.confirm)


@may(Role.KEEPER)
async def forget(request: Request) -> Response:
    return await _at_cuff(request, cuffs.forget)


async def _at_cuff(request: Request, act: Callable[[Store, str, datetime], object]) -> Response:
    store, address = station_of(request).store, _address(request)
    return await carried_out(request, HERE, lambda: act(store, address, datetime.now(UTC)))


def _draw(request: Request, status: int = 200, error: str = "", about: str = "") -> Response:
    station = station_of(request)
    seen, moment = latest(station), datetime.now(UTC)
    until = cuffs.window(station.store, moment)
    now = {one.address: one for one in situation.situation_now(station.store, station.config).cuffs}
    shown = [
        Shown(
            address=cuff.address,
            name=cuff.name or "",
            readings=cuff.readings,
            last_visit=made(cuff.last_visit.astimezone(station.zone)) if cuff.last_visit else "",
            battery=now[cuff.address].battery if cuff.address in now else None,
            clock=clock_words(now[cuff.address].clock_ahead_s) if cuff.address in now else "",
            remarks=remarks(cuff, "look at its readings, then say below that it is yours"),
            needs=tuple(_needs(station, cuff.address)),
            renewed=bool(cuff.bond_renewed),
            slots=tuple(
                (
                    "any user" if span.slot == "any" else "no user" if span.slot is None else f"user {span.slot}",
                    span.person,
                )
                for span in slot_spans.every(station.store, cuff=cuff.address)
                if span.until is None
            ),
        )
        for cuff in cuffs.every(station.store)
    ]
    return draw(
        request,
        "cuffs.html",
        status,
        cuffs=shown,
        error=error,
        about=about,
        open_until=made(until.astimezone(station.zone)) if until else "",
        questions=pairing.questions(station.store, moment),
        seen=seen,
        known_only=_known_only(request),
    )


def _needs(station: ServedStation, address: str) -> Iterator[tuple[str, str]]:
    silent = never_delivered(station.store, address, LET_IN)
    if silent:
        yield silent
    for manner, remedy in learned(station.store, address, LET_IN):
        if not silent or manner not in silent[0]:
            yield f"it {manner}", remedy


def _known_only(request: Request) -> bool:
    return str(station_of(request).config.radio.accept) == "known"


def _address(request: Request) -> str:
    found = cuffs.find(station_of(request).store, request.path_params["cuff"])
    if found is None:
        raise RequestRefused(404)
    return found

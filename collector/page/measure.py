"""Measure now: the guided sitting, as far as it has come each time somebody looks."""

from datetime import UTC, datetime

from starlette.requests import Request
from starlette.responses import RedirectResponse, Response

from collector.numbers import words
from collector.page.rendering import draw
from collector.page.series import latest
from collector.page.visitor import ServedStation, carried_out, form, may, station_of, whose
from collector.service import machine_clock
from collector.service.config.plans import in_force
from collector.service.guided.replay import SittingSoFar, standing
from collector.service.guided.sitting import SittingRequest, request_of
from collector.service.listener_lock import listener
from collector.store.people import open_sittings
from collector.store.people.open_sittings import OpenSitting
from collector.store.people.page_devices import Role
from collector.store.people.persons import Person

REST_S = 300.0
ANSWERS = {"yes": "y", "no": "n", "skip": "\n", "leave": "q"}


@may(Role.PERSON, Role.KEEPER)
async def measure(request: Request) -> Response:
    station, person = station_of(request), whose(request)
    seen = latest(station)
    sitting = open_sittings.current(station.store, person.row, datetime.now(UTC))
    wish = _wish(station, person, sitting)
    return draw(
        request,
        "measure.html",
        person=person,
        now=_standing(station, person, sitting, wish) if sitting else None,
        preparation=words.PREPARATION,
        hint=wish.hint,
        listening=listener(station.path) is not None,
        doubt=machine_clock.doubt(station.store),
        seen=seen,
    )


@may(Role.PERSON, Role.KEEPER)
async def begin(request: Request) -> Response:
    station, person = station_of(request), whose(request)
    to = f"/p/{person.row}/measure"
    return await carried_out(
        request, to, lambda: open_sittings.begin(station.store, person.row, REST_S, datetime.now(UTC))
    )


@may(Role.PERSON, Role.KEEPER)
async def answer(request: Request) -> Response:
    """An answer to what stands there now; one to what stood there before is none."""
    station, person = station_of(request), whose(request)
    data = await form(request)
    sitting = open_sittings.current(station.store, person.row, datetime.now(UTC))
    key = ANSWERS.get(data.get("answer", ""))
    if sitting and key:
        now = _standing(station, person, sitting, _wish(station, person, sitting))
        if now.version == data.get("version") and not now.over:
            open_sittings.answer(station.store, sitting, key, datetime.now(UTC))
    return RedirectResponse(f"/p/{person.row}/measure", 303)


@may(Role.PERSON, Role.KEEPER)
async def done(request: Request) -> Response:
    station, person = station_of(request), whose(request)
    open_sittings.end(station.store, person.row)
    return RedirectResponse(f"/p/{person.row}/today", 303)


def _wish(station: ServedStation, person: Person, sitting: OpenSitting | None) -> SittingRequest:
    rules, plan = in_force(station.config, person.name)
    wall = sitting.started_at.astimezone(station.zone) if sitting else station.now()
    return request_of(person.name, rules, plan, wall, sitting.rest_s if sitting else REST_S, station.emergency)


def _standing(station: ServedStation, person: Person, sitting: OpenSitting, wish: SittingRequest) -> SittingSoFar:
    return standing(station.store, sitting, person.name, wish, datetime.now(UTC))

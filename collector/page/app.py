"""The routes, and what every wrong turn is answered with."""

from functools import cache

from starlette.applications import Starlette
from starlette.convertors import IntegerConvertor, register_url_convertor
from starlette.exceptions import HTTPException
from starlette.requests import Request
from starlette.responses import PlainTextResponse, Response
from starlette.routing import Route
from starlette.types import ASGIApp

from collector.page import cuff_list, desk, entrance, for_the_visit, live, measure, over_time, readings
from collector.page import station as station_page
from collector.page.guard import Guard
from collector.page.rendering import HERE, draw
from collector.page.today import today
from collector.page.visitor import REFUSALS, RequestRefused, ServedStation, anybody
from collector.service.config import ConfigError
from collector.store.errors import ODD, StoreError
from collector.store.unreadable import why

TYPES = {"css": "text/css", "js": "text/javascript", "svg": "image/svg+xml"}


@cache
def _files() -> dict[str, bytes]:
    return {file.name: file.read_bytes() for file in (HERE / "static").iterdir()}


@anybody
async def static(request: Request) -> Response:
    name = request.path_params["name"]
    if name not in _files():
        raise RequestRefused(404)
    kind = TYPES[name.rpartition(".")[2]]
    return Response(_files()[name], media_type=kind, headers={"cache-control": "no-cache"})


class _Row(IntegerConvertor):
    """A row's number: no longer than any that SQLite has."""

    regex = "[0-9]{1,18}"


register_url_convertor("int", _Row())
ROUTES = [
    Route("/", entrance.first),
    Route("/in/{token}", entrance.link),
    Route("/in/{token}", entrance.enter, methods=["POST"]),
    Route("/out", entrance.leave, methods=["POST"]),
    Route("/people", entrance.household),
    Route("/devices", entrance.devices),
    Route("/devices/{number:int}/revoke", entrance.revoke, methods=["POST"]),
    Route("/events", live.events),
    Route("/static/{name}", static),
    Route("/p/{person:int}/today", today),
    Route("/p/{person:int}/measure", measure.measure),
    Route("/p/{person:int}/measure", measure.begin, methods=["POST"]),
    Route("/p/{person:int}/measure/answer", measure.answer, methods=["POST"]),
    Route("/p/{person:int}/measure/done", measure.done, methods=["POST"]),
    Route("/p/{person:int}/readings", readings.list_readings),
    Route("/p/{person:int}/readings/{reading}/not-theirs", readings.not_theirs, methods=["POST"]),
    Route("/p/{person:int}/readings/{reading}/theirs", readings.theirs_after_all, methods=["POST"]),
    Route("/p/{person:int}/readings/{reading}/strike", readings.strike, methods=["POST"]),
    Route("/p/{person:int}/readings/{reading}/count-again", readings.count_again, methods=["POST"]),
    Route("/p/{person:int}/readings/{reading}/standing", readings.standing, methods=["POST"]),
    Route("/p/{person:int}/readings/{reading}/correct", readings.correct, methods=["POST"]),
    Route("/p/{person:int}/visit", for_the_visit.visit),
    Route("/p/{person:int}/visit/page", for_the_visit.paper),
    Route("/p/{person:int}/visit/pdf", for_the_visit.pdf),
    Route("/p/{person:int}/time", over_time.over_time),
    Route("/p/{person:int}/notes", over_time.add_note, methods=["POST"]),
    Route("/p/{person:int}/dose", over_time.dose_now, methods=["POST"]),
    Route("/p/{person:int}/office", over_time.add_office, methods=["POST"]),
    Route("/p/{person:int}/notes/{note}/remove", over_time.remove_note, methods=["POST"]),
    Route("/cuffs", cuff_list.list_cuffs),
    Route("/cuffs/let-in", cuff_list.let_in, methods=["POST"]),
    Route("/cuffs/{cuff}/name", cuff_list.name_cuff, methods=["POST"]),
    Route("/cuffs/{cuff}/digits", cuff_list.digits, methods=["POST"]),
    Route("/cuffs/{cuff}/as-new", cuff_list.as_new, methods=["POST"]),
    Route("/cuffs/{cuff}/confirm", cuff_list.confirm, methods=["POST"]),
    Route("/cuffs/{cuff}/forget", cuff_list.forget, methods=["POST"]),
    Route("/station", station_page.station),
    Route("/desk", desk.desk),
    Route("/desk/lend", desk.lend, methods=["POST"]),
    Route("/desk/back", desk.take_back, methods=["POST"]),
    Route("/desk/mark", desk.mark, methods=["POST"]),
    Route("/desk/{loan:int}/check", desk.checked, methods=["POST"]),
    Route("/desk/{loan:int}/summary", desk.summary),
    Route("/nobody", readings.nobodys),
    Route("/nobody/{reading}/give", readings.give, methods=["POST"]),
    Route("/nobody/{reading}/take-back", readings.take_back, methods=["POST"]),
]


async def _refused(request: Request, error: Exception) -> Response:
    assert isinstance(error, RequestRefused)
    if error.status == 401:
        return draw(request, "signed-out.html", 401)
    return draw(request, "refused.html", error.status, code=error.status, what=str(error))


async def _http(request: Request, error: Exception) -> Response:
    assert isinstance(error, HTTPException)
    return draw(request, "refused.html", error.status_code, code=error.status_code, what="")


async def _trouble(request: Request, error: Exception) -> Response:
    """The store's own line says what, where, what to do."""
    refused = isinstance(error, StoreError) and error.kind in REFUSALS
    return draw(request, "trouble.html", 422 if refused else 503, what=str(error))


async def _odd(request: Request, error: Exception) -> Response:
    """Of a value in the store that is none, which that is."""
    told = why(error, request.app.state.station.path)
    if told is None:
        raise error
    return await _trouble(request, told)


async def _unforeseen(request: Request, error: Exception) -> Response:
    return PlainTextResponse("Something went wrong here. Nothing was lost. The station's log has more.", 500)


def build(station: ServedStation, hosts: tuple[str, ...]) -> ASGIApp:
    """hosts: by what names and addresses this machine may be asked."""
    app = Starlette(
        routes=ROUTES,
        exception_handlers={
            RequestRefused: _refused,
            HTTPException: _http,
            StoreError: _trouble,
            ConfigError: _trouble,
            **dict.fromkeys(ODD, _odd),
            Exception: _unforeseen,
        },
    )
    app.state.station = station
    return Guard(app, hosts, station.life)

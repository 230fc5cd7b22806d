"""Getting in by a link, the list of devices, signing out."""

import time
from datetime import UTC, datetime

from starlette.requests import Request
from starlette.responses import PlainTextResponse, RedirectResponse, Response

from collector.page.rendering import draw
from collector.page.visitor import anybody, carried_out, cookie_name, device, form, may, station_of
from collector.share.report.days import made
from collector.store import people
from collector.store.people import page_devices
from collector.store.people.page_devices import DEVICE_LIFE, OF_ONE_PERSON, Role


@anybody
async def link(request: Request) -> Response:
    """Uses nothing up: mail scanners and previews fetch links as well."""
    return draw(request, "link.html")


@anybody
async def enter(request: Request) -> Response:
    station = station_of(request)
    address = request.client.host if request.client else ""
    if station.too_many(address):
        return PlainTextResponse("Too many wrong links. Wait ten minutes.", 429, {"retry-after": "600"})
    name = (await form(request)).get("name", "")
    token = page_devices.admit(station.store, request.path_params["token"], name, datetime.now(UTC))
    if token is None:
        station.wrong[address].append(_monotonic())
        return draw(request, "spent.html", 410)
    answer = RedirectResponse("/", 303)
    answer.set_cookie(
        cookie_name(request),
        token,
        max_age=int(DEVICE_LIFE.total_seconds()),
        path="/",
        httponly=True,
        samesite="strict",
        secure=request.url.scheme == "https",
    )
    return answer


@may(*Role)
async def first(request: Request) -> Response:
    """Where each role begins."""
    visitor = device(request)
    if visitor.role is Role.DESK:
        return RedirectResponse("/desk", 303)
    if visitor.row is not None:
        return RedirectResponse(f"/p/{visitor.row}/today", 303)
    if visitor.role in OF_ONE_PERSON:
        return draw(request, "gone.html")
    everybody = people.every(station_of(request).store)
    return draw(request, "people.html", people=everybody)


@may(Role.KEEPER)
async def household(request: Request) -> Response:
    return draw(request, "people.html", people=people.every(station_of(request).store))


@may(Role.KEEPER)
async def devices(request: Request) -> Response:
    station = station_of(request)
    rows = [(one, made(one.seen_at.astimezone(station.zone))) for one in page_devices.every(station.store)]
    return draw(request, "devices.html", rows=rows)


@may(Role.KEEPER)
async def revoke(request: Request) -> Response:
    store, number = station_of(request).store, request.path_params["number"]
    return await carried_out(request, "/devices", lambda: page_devices.revoke(store, number, datetime.now(UTC)))


@may(*Role)
async def leave(request: Request) -> Response:
    page_devices.revoke(station_of(request).store, device(request).number, datetime.now(UTC))
    answer = RedirectResponse("/", 303)
    answer.delete_cookie(
        cookie_name(request), path="/", httponly=True, samesite="strict", secure=request.url.scheme == "https"
    )
    answer.headers["clear-site-data"] = '"cache", "storage"'
    return answer


def _monotonic() -> float:
    return time.monotonic()

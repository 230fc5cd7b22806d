"""For the visit: the page for the chart as it will be printed, its period, and as a PDF."""

import asyncio
import base64
import json
import sys
from dataclasses import replace
from datetime import UTC, date, datetime
from hashlib import sha256

from starlette.requests import Request
from starlette.responses import HTMLResponse, Response

from collector.page.rendering import draw
from collector.page.visitor import RequestRefused, ServedStation, may, station_of, whose
from collector.service.config.plans import in_force
from collector.share.report import render_html
from collector.share.report.gather import WantedReport, gather
from collector.share.report.pdf import PAPERS
from collector.share.report.style import STYLE
from collector.store.people.page_devices import Role
from collector.store.people.persons import Person

STYLE_HASH = base64.b64encode(sha256(STYLE.encode()).digest()).decode()
POLICY = f"default-src 'none'; style-src 'sha256-{STYLE_HASH}'; frame-ancestors 'self'; base-uri 'none'"
"""The report has its one style sheet within itself; its hash lets in that one and no other."""
CHILD_S = 60.0
A4 = "A4"
PDF_CHILD = (sys.executable, "-m", "collector.page.pdf_child")


@may(Role.PERSON, Role.KEEPER, Role.VIEWER)
async def visit(request: Request) -> Response:
    person = whose(request)
    try:
        first, last = period(request)
    except ValueError:
        first = last = None
        error = "A day is written like 2031-03-04, and the first does not lie after the last."
    else:
        error = ""
    query = "&".join(f"{name}={day}" for name, day in (("first", first), ("last", last)) if day)
    return draw(
        request,
        "visit.html",
        422 if error else 200,
        person=person,
        first=first or "",
        last=last or "",
        query=f"?{query}" if query else "",
        papers=[(paper, "?" + "&".join(filter(None, (query, f"paper={paper}")))) for paper in PAPERS],
        error=error,
    )


@may(Role.PERSON, Role.KEEPER, Role.VIEWER)
async def paper(request: Request) -> Response:
    station, person = station_of(request), whose(request)
    data = gather(station.store, wanted(station, person, *_period(request)), datetime.now(UTC))
    return HTMLResponse(render_html(data), headers={"content-security-policy": POLICY})


@may(Role.PERSON, Role.KEEPER, Role.VIEWER)
async def pdf(request: Request) -> Response:
    """Made by a process of its own: what draws it is large, and would stay in this one."""
    station, person = station_of(request), whose(request)
    first, last = _period(request)
    paper = request.query_params.get("paper", A4)
    if paper not in PAPERS:
        raise RequestRefused(422, f"There is no paper '{paper}' here; there is {' and '.join(PAPERS)}.")
    order = pdf_order(station, person, first, last, paper)
    child = await asyncio.create_subprocess_exec(
        *PDF_CHILD, stdin=asyncio.subprocess.PIPE, stdout=asyncio.subprocess.PIPE, stderr=asyncio.subprocess.PIPE
    )
    try:
        made, told = await asyncio.wait_for(child.communicate(order), CHILD_S)
    except TimeoutError:
        child.kill()
        raise RequestRefused(503, "The PDF took too long. Print the page instead.") from None
    if child.returncode:
        raise RequestRefused(503, told.decode(errors="replace").strip())
    return Response(
        made, media_type="application/pdf", headers={"content-disposition": 'inline; filename="report.pdf"'}
    )


def pdf_order(
    station: ServedStation, person: Person, first: date | None = None, last: date | None = None, paper: str = A4
) -> bytes:
    """What the child reads on its stdin; no name is in anybody's list of processes."""
    config = station.config.source
    order = {
        "store": str(station.path),
        "config": str(config) if config else None,
        "person": person.row,
        "first": first and first.isoformat(),
        "last": last and last.isoformat(),
        "paper": paper,
    }
    return json.dumps(order).encode()


def wanted(station: ServedStation, person: Person, first: date | None = None, last: date | None = None) -> WantedReport:
    rules, plan = in_force(station.config, person.name)
    settings = station.config.station
    whole = WantedReport(person=person.name, protocol=rules, plan=plan, first=first, last=last)
    return replace(whole, emergency=settings.emergency_number, place=settings.name)


def period(request: Request) -> tuple[date | None, date | None]:
    """The days asked for. Raises ValueError."""
    first, last = (
        date.fromisoformat(text) if (text := request.query_params.get(name, "").strip()) else None
        for name in ("first", "last")
    )
    if first and last and first > last:
        raise ValueError("the wrong way round")
    return first, last


def _period(request: Request) -> tuple[date | None, date | None]:
    try:
        return period(request)
    except ValueError:
        raise RequestRefused(
            422, "A day is written like 2031-03-04, and the first does not lie after the last."
        ) from None

"""Over time: the plot, weeks and months, and what happened on which day."""

from dataclasses import replace
from datetime import UTC, date, datetime, timedelta

from markupsafe import Markup
from starlette.requests import Request
from starlette.responses import RedirectResponse, Response

from collector.numbers import words
from collector.numbers.trend import trend
from collector.page.for_the_visit import wanted
from collector.page.rendering import draw
from collector.page.series import series_of
from collector.page.visitor import carried_out, form, may, once, station_of, told, whose
from collector.service.machine_clock import believed_now
from collector.share.report.chart import draw_chart
from collector.share.report.gather import gather
from collector.share.report.html import svg
from collector.share.text.reading_text import pressures_text
from collector.share.text.trend_text import AT_OR_ABOVE, WEEKS_AT_MOST, trend_rows
from collector.store import readings
from collector.store.acceptable import typed_pressures
from collector.store.errors import StoreError
from collector.store.people import notes, office_visits
from collector.store.people.page_devices import Role
from collector.store.values import Selection

DOSES_SHOWN = 6
MOST_PLOTTED = 1300
"""Readings; each is two marks of some thirty octets, and a page has to be light."""
WIDTH, HEIGHT = 150.0, 80.0  # mm
BACK = {"1": 31, "6": 182, "12": 365}
"""Months that can be plotted, with their days; a longer plot would be a heavy page."""


@may(Role.PERSON, Role.KEEPER, Role.VIEWER)
async def over_time(request: Request) -> Response:
    return _draw(request)


@may(Role.PERSON, Role.KEEPER)
async def add_note(request: Request) -> Response:
    station, person = station_of(request), whose(request)
    data = await form(request)
    kind = data.get("kind", notes.OTHER)
    try:
        day = date.fromisoformat(data.get("day", ""))
    except ValueError:
        return _draw(request, 422, "Which day was it? A day is written like 2031-03-04.", data)
    try:
        text = data.get("text", "")
        once(request, data, lambda: notes.add(station.store, person.name, day, text, kind, datetime.now(UTC)))
    except StoreError as error:
        return _draw(request, 422, told(error), data)
    return RedirectResponse(f"/p/{person.row}/time", 303)


@may(Role.PERSON, Role.KEEPER)
async def dose_now(request: Request) -> Response:
    """A dose was taken just now: its time by the station's clock, and nothing else."""
    station, person = station_of(request), whose(request)
    wall = believed_now(station.store).astimezone(station.zone)
    return await carried_out(
        request,
        f"/p/{person.row}/today",
        lambda: notes.add(station.store, person.name, wall.date(), f"{wall:%H:%M}", notes.DOSE, wall),
    )


@may(Role.PERSON, Role.KEEPER)
async def remove_note(request: Request) -> Response:
    station, person = station_of(request), whose(request)
    note, to = request.path_params["note"], f"/p/{person.row}/time"
    return await carried_out(request, to, lambda: notes.remove(station.store, person.name, note, datetime.now(UTC)))


@may(Role.PERSON, Role.KEEPER)
async def add_office(request: Request) -> Response:
    """A visit's readings, as measured there."""
    station, person = station_of(request), whose(request)
    data = await form(request)
    try:
        values = [typed_pressures(text) for text in data.get("values", "").split()]
        day = date.fromisoformat(data.get("day", ""))
        if not values or day > station.now().date():
            raise ValueError("needs a value and a day that has come")
    except ValueError as wrong:
        return _draw(request, 422, office_error=f"What was typed {wrong}.", sent=data)
    keep, to = office_visits.add, f"/p/{person.row}/time"
    return await carried_out(
        request, to, lambda: keep(station.store, person.name, day, values, datetime.now(UTC)), data
    )


def _draw(
    request: Request, status: int = 200, error: str = "", sent: dict[str, str] | None = None, office_error: str = ""
) -> Response:
    station, person = station_of(request), whose(request)
    series = series_of(station, person)
    found = trend(series.samples, series.protocol, series.plan)
    monthly = len(found.weeks) > WEEKS_AT_MOST
    months = request.query_params.get("months", "6")
    back = BACK.get(months, BACK["6"])
    noted = notes.every(station.store, person.name)[::-1]
    heading, rows = trend_rows(found, monthly)
    return draw(
        request,
        "time.html",
        status,
        person=person,
        plot=_plot(request, back) if found.days else None,
        months=months if months in BACK else "6",
        heading=heading,
        rows=rows[::-1],
        at_or_above=AT_OR_ABOVE,
        notes=[note for note in noted if note.kind != notes.DOSE],
        doses=[note for note in noted if note.kind == notes.DOSE][:DOSES_SHOWN],
        caution=words.caution(station.emergency),
        today=station.now().date(),
        sent=sent or {},
        error=error or office_error,
        office_error=office_error,
        office=[
            (visit.day, ", ".join(pressures_text(*pair, places=None) for pair in visit.readings))
            for visit in office_visits.every(station.store, person.name)[::-1]
        ],
    )


def _plot(request: Request, back: int) -> Markup:
    """The report's own drawing, of the days up to the newest reading."""
    station, person = station_of(request), whose(request)
    newest = list(readings.select(station.store, Selection(person=person.name, last=MOST_PLOTTED)))
    since = max(newest[-1].taken_at.date() + timedelta(days=-back), newest[0].taken_at.date())
    data = gather(station.store, replace(wanted(station, person), since=since), datetime.now(UTC))
    return Markup(
        svg(draw_chart(data, WIDTH, HEIGHT), f"Every reading since {since}, with thresholds and means in mmHg")
    )

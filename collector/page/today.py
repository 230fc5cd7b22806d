"""Today: the last reading, this week's sittings, the average so far, and what is next."""

from starlette.requests import Request
from starlette.responses import Response

from collector.numbers.week import after_very_high, next_step, week
from collector.page.rendering import draw
from collector.page.series import cuff_names, latest, line, series_of
from collector.page.visitor import may, station_of, whose
from collector.share.samples import dose_now
from collector.share.text import average_text
from collector.share.text.cautions import caution
from collector.share.text.findings import log_remarks
from collector.store.people.page_devices import Role


@may(Role.PERSON, Role.KEEPER, Role.VIEWER)
async def today(request: Request) -> Response:
    station, person = station_of(request), whose(request)
    seen = latest(station)
    series = series_of(station, person)
    beside = series.overview()
    found = beside.average
    days = week(series.samples, found, station.now())
    urgent = after_very_high(series.samples, station.now())
    last = line(series.readings[-1], cuff_names(station)) if series.readings else None
    return draw(
        request,
        "today.html",
        person=person,
        last=last,
        cautions=list(caution(station.emergency)) if last and last.very_high else [],
        days=days,
        number=average_text.number(found),
        spoken=list(average_text.spoken(found, station.emergency)),
        hours=[text for _, text in log_remarks(beside.since_dose, None)],
        dose=dose_now(station.store, person.name, station.now()),
        urgent=urgent,
        next=urgent or next_step(days, found),
        seen=seen,
    )

"""Today: the last reading, this week's sittings, the average so far, and what is next."""

from starlette.requests import Request
from starlette.responses import Response

from collector.numbers.week import after_very_high, next_step, week
from collector.page.drawing import draw
from collector.page.series import cuff_names, latest, line, series_of
from collector.page.visitor import may, room, whose
from collector.share.samples import dose_now
from collector.share.text import average_text
from collector.share.text.cautions import caution
from collector.share.text.findings import log_remarks
from collector.store.people.page_devices import Role


@may(Role.PERSON, Role.KEEPER, Role.VIEWER)
async def today(request: Request) -> Response:
    around, person = room(request), whose(request)
    seen = latest(around)
    series = series_of(around, person)
    beside = series.overview()
    found = beside.average
    days = week(series.samples, found, around.now())
    urgent = after_very_high(series.samples, around.now())
    last = line(series.readings[-1], cuff_names(around)) if series.readings else None
    return draw(
        request,
        "today.html",
        person=person,
        last=last,
        cautions=list(caution(around.emergency)) if last and last.very_high else [],
        days=days,
        number=average_text.number(found),
        spoken=list(average_text.spoken(found, around.emergency)),
        hours=[text for _, text in log_remarks(beside.since_dose, None)],
        dose=dose_now(around.store, person.name, around.now()),
        urgent=urgent,
        next=urgent or next_step(days, found),
        seen=seen,
    )

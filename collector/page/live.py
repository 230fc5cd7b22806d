"""News as it comes: a stream of server-sent events that says a reading has arrived, and nothing else.

The page then asks for itself again. Learning of it costs a look at one counter twice a second, and only while somebody
looks at the page; the number of the event is the reading's own, so that a phone that was asleep misses none and gets
none twice (WHATWG HTML, "Server-sent events", on Last-Event-ID).
"""

import asyncio
from collections.abc import AsyncIterator
from datetime import UTC, datetime

from starlette.requests import Request
from starlette.responses import Response, StreamingResponse

from collector.page.visitor import cookie_name, device, may, row_of, station_of
from collector.store.database import Store
from collector.store.journal import pairing, visits
from collector.store.opening import open_store
from collector.store.people import page_devices
from collector.store.people.page_devices import OF_ONE_PERSON, Device, Role
from collector.store.readings import arrived
from collector.store.values import Reading

LOOK_S = 0.5
LOOKS_A_SIGN = 30
"""After so many quiet looks a comment is sent: a peer that is gone is noticed by that."""


@may(*Role)
async def events(request: Request) -> Response:
    asked = request.headers.get("last-event-id") or request.query_params.get("after") or ""
    after = row_of(asked)
    if after is None:
        after = arrived.newest(station_of(request).store)
    token = request.cookies.get(cookie_name(request), "")
    return StreamingResponse(
        _news(request, token, device(request), after),
        media_type="text/event-stream",
        headers={"x-accel-buffering": "no"},
    )


async def _news(request: Request, token: str, visitor: Device, after: int) -> AsyncIterator[str]:
    ending = station_of(request).life.ending
    yield "retry: 2000\n\n"
    with open_store(station_of(request).path, create=False) as store:
        seen, quiet, told = None, 0, news_for(store, visitor.role)
        while True:
            version = store.version()
            if version != seen:
                seen, quiet = version, 0
                if page_devices.device_of(store, token, datetime.now(UTC)) is None:
                    yield "event: out\ndata: signed out\n\n"
                    return
                for number, reading in arrived.after(store, after):
                    after = number
                    if _theirs(visitor, reading):
                        yield f"id: {number}\nevent: reading\ndata: new\n\n"
                if (now := news_for(store, visitor.role)) != told:
                    told = now
                    yield "event: news\ndata: new\n\n"
            try:
                await asyncio.wait_for(ending.wait(), LOOK_S)
            except TimeoutError:
                quiet += 1
            else:
                return
            if quiet >= LOOKS_A_SIGN:
                quiet = 0
                yield ": still here\n\n"


def news_for(store: Store, role: Role) -> tuple[object, ...]:
    """What besides readings is news: for whoever waits for cuffs that a visit ended, and for whoever lets them in of
    which cuffs the service wants to know what their display shows."""
    asked = (frozenset(pairing.questions(store, datetime.now(UTC))),) if role is Role.KEEPER else ()
    return (visits.last_ended(store), *asked) if role in (Role.KEEPER, Role.DESK) else ()


def _theirs(visitor: Device, reading: Reading) -> bool:
    """Nobody's too: a guided sitting may ask whose it is."""
    return visitor.role not in OF_ONE_PERSON or reading.person in (None, visitor.person)

"""Readings: a person's, the newest first; those that are nobody's; giving one to somebody, and undoing it."""

from collections.abc import Callable
from datetime import UTC, datetime

from starlette.requests import Request
from starlette.responses import Response

from collector.intake import giving
from collector.intake.correction import Correction, correct_reading, take_back_correction
from collector.page.rendering import draw
from collector.page.series import cuff_names, latest, line
from collector.page.visitor import RequestRefused, carried_out, device, form, may, row_of, station_of, whose
from collector.service import machine_clock
from collector.share.text.cautions import caution
from collector.store import audit, people, readings
from collector.store.acceptable import typed_pressures
from collector.store.errors import StoreError
from collector.store.people.page_devices import Role
from collector.store.people.persons import Person
from collector.store.readings import strikes
from collector.store.values import CORRECTED, STANDING, Reading, Selection

STEPS = (40, 400)
"""So many of the newest are shown, and so many on request; a file from `export` has them all."""


@may(Role.PERSON, Role.KEEPER, Role.VIEWER)
async def list_readings(request: Request) -> Response:
    station, person = station_of(request), whose(request)
    seen = latest(station)
    most = STEPS[1] if "more" in request.query_params else STEPS[0]
    chosen = Selection(person=person.name, last=most)
    names = cuff_names(station)
    rows = [line(one, names) for one in readings.select(station.store, chosen)]
    return draw(
        request,
        "readings.html",
        person=person,
        rows=rows[::-1],
        total=readings.count(station.store, Selection(person=person.name)),
        more=most == STEPS[0],
        cautions=list(caution(station.emergency)) if any(row.very_high for row in rows) else [],
        undo=_undo(request, person.name),
        seen=seen,
    )


@may(Role.PERSON, Role.KEEPER)
async def not_theirs(request: Request) -> Response:
    """The reading is made nobody's."""
    station = station_of(request)
    person, reading = _own(request)
    to = f"/p/{person.row}/readings?undo={reading.reading_id}"
    return await carried_out(
        request, to, lambda: giving.make_nobodys(station.store, reading.reading_id, datetime.now(UTC))
    )


@may(Role.PERSON, Role.KEEPER)
async def theirs_after_all(request: Request) -> Response:
    """Undo of `not_theirs`, and of nothing else."""
    person, reading = whose(request), _reading(request)
    if not _was_theirs(request, reading, person.name):
        raise RequestRefused(404)
    return await _left_to_slot(request, f"/p/{person.row}/readings", reading)


@may(Role.PERSON, Role.KEEPER)
async def strike(request: Request) -> Response:
    """It counts nowhere from now on, and stays in every list."""
    return await _change(request, lambda reading: strikes.strike(station_of(request).store, reading, datetime.now(UTC)))


@may(Role.PERSON, Role.KEEPER)
async def standing(request: Request) -> Response:
    """It is set beside the one taken sitting just before."""
    act = strikes.strike
    return await _change(request, lambda reading: act(station_of(request).store, reading, datetime.now(UTC), STANDING))


@may(Role.PERSON, Role.KEEPER)
async def count_again(request: Request) -> Response:
    """Undo of `strike`, `standing` and `correct`."""

    def undo(reading: str) -> None:
        store, now = station_of(request).store, datetime.now(UTC)
        if CORRECTED in readings.get(store, reading).marks:
            take_back_correction(store, reading, now)
        else:
            strikes.undo(store, reading, now)

    return await _change(request, undo)


@may(Role.PERSON, Role.KEEPER)
async def correct(request: Request) -> Response:
    """What was typed stands in its place; as it came it is kept."""
    _own(request)
    data = await form(request)
    typed = data.get("pressures", "")
    try:
        systolic, diastolic = typed_pressures(typed)
    except ValueError as wrong:
        raise RequestRefused(422, f"{typed!r} {wrong}") from None
    said = Correction(systolic=systolic, diastolic=diastolic)

    def put_right(reading: str) -> None:
        store = station_of(request).store
        machine_clock.bear_nothing_out(store)
        correct_reading(store, reading, said, machine_clock.now())

    return await _change(request, put_right, data)


async def _change(request: Request, act: Callable[[str], object], data: dict[str, str] | None = None) -> Response:
    person, reading = _own(request)
    return await carried_out(request, f"/p/{person.row}/readings", lambda: act(reading.reading_id), data)


def _own(request: Request) -> tuple[Person, Reading]:
    """Whose page it is, and the reading where it is theirs."""
    person, reading = whose(request), _reading(request)
    if reading.person != person.name:
        raise RequestRefused(404)
    return person, reading


@may(Role.KEEPER)
async def nobodys(request: Request) -> Response:
    return _nobodys(request)


@may(Role.KEEPER)
async def give(request: Request) -> Response:
    station, reading = station_of(request), _reading(request)
    data = await form(request)
    row = row_of(data.get("to", ""))
    person = None if row is None else people.by_row(station.store, row)
    if person is None:
        return _nobodys(request, 422, error="Choose whose it is.", about=reading)
    if (reading.person or "") != data.get("was", "") and reading.person != person.name:
        return _nobodys(request, 409, error=f"Meanwhile it was given to {reading.person}.", about=reading)
    return await carried_out(
        request,
        f"/nobody?undo={reading.reading_id}",
        lambda: giving.give(station.store, reading.reading_id, person.name, datetime.now(UTC)),
        data,
    )


@may(Role.KEEPER)
async def take_back(request: Request) -> Response:
    return await _left_to_slot(request, "/nobody", _reading(request))


async def _left_to_slot(request: Request, to: str, reading: Reading) -> Response:
    store = station_of(request).store
    return await carried_out(request, to, lambda: giving.leave_to_slot(store, reading.reading_id, datetime.now(UTC)))


def _nobodys(request: Request, status: int = 200, error: str = "", about: Reading | None = None) -> Response:
    station, names = station_of(request), cuff_names(station_of(request))
    shown = [about] if about else list(readings.select(station.store, Selection(unassigned=True, last=STEPS[0])))
    done = None if about else _named(request)
    return draw(
        request,
        "nobody.html",
        status,
        rows=[line(one, names) for one in shown[::-1]],
        total=readings.unassigned(station.store),
        people=people.every(station.store),
        done=line(done, names) if done and done.person else None,
        error=error,
        seen=latest(station),
    )


def _reading(request: Request) -> Reading:
    try:
        return readings.get(station_of(request).store, request.path_params["reading"])
    except StoreError:
        raise RequestRefused(404) from None


def _named(request: Request) -> Reading | None:
    """The reading of ?undo=."""
    try:
        return readings.get(station_of(request).store, request.query_params["undo"])
    except (KeyError, StoreError):
        return None


def _undo(request: Request, person: str) -> str | None:
    """The id of a reading that was made nobody's just now, and was this person's."""
    found = _named(request)
    return found.reading_id if found and _was_theirs(request, found, person) else None


def _was_theirs(request: Request, reading: Reading, person: str) -> bool:
    if reading.person is not None or device(request).role is Role.VIEWER:
        return False
    changes = list(audit.about_reading(station_of(request).store, reading.reading_id))
    return bool(changes) and changes[-1].what == "reading released" and changes[-1].detail.get("from") == person

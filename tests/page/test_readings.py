"""Readings: listed, given, given by two at once, made nobody's, and undone."""

from datetime import UTC, datetime
from http import HTTPStatus

import pytest
from station_page import BEN, KITCHEN, MIRA, Pages, once_of, send

from collector.store import Selection, audit, people, readings
from collector.store.people.page_devices import Role
from collector.store.values import CORRECTED, STRUCK_OUT, VOID_MARKS


def nobodys(pages: Pages) -> str:
    (found,) = readings.select(pages.store, Selection(unassigned=True))
    return found.reading_id


def owner(pages: Pages, reading: str) -> str | None:
    return readings.get(pages.store, reading).person


async def test_a_keeper_gives_a_reading_and_takes_it_back(pages: Pages) -> None:
    keeper, reading = pages.signed_in(Role.KEEPER, MIRA), nobodys(pages)
    page = (await keeper.get("/nobody")).text
    assert "149/93 mmHg" in page
    form = {"once": once_of(page), "was": "", "to": str(pages.row(BEN))}
    answer = await keeper.post(f"/nobody/{reading}/give", data=form)
    assert owner(pages, reading) == BEN
    page = (await keeper.get(answer.headers["location"])).text
    assert "is <bdi>ben</bdi>&#39;s now" in page or "is <bdi>ben</bdi>'s now" in page
    await keeper.post(f"/nobody/{reading}/take-back", data={"once": once_of(page)})
    assert owner(pages, reading) is None
    assert [change.what for change in audit.about_reading(pages.store, reading)] == [
        "reading claimed",
        "claim withdrawn",
    ]


async def test_a_form_sent_twice_is_carried_out_once(pages: Pages) -> None:
    keeper, reading = pages.signed_in(Role.KEEPER, MIRA), nobodys(pages)
    form = {"once": once_of((await keeper.get("/nobody")).text), "was": "", "to": str(pages.row(BEN))}
    answers = [await keeper.post(f"/nobody/{reading}/give", data=form) for _ in range(3)]
    assert [answer.status_code for answer in answers] == [303] * 3
    assert len(list(audit.about_reading(pages.store, reading))) == 1


async def test_two_people_give_one_reading(pages: Pages) -> None:
    """The one who is slower is told, and decides."""
    keeper, other, reading = pages.signed_in(Role.KEEPER, MIRA), pages.signed_in(Role.KEEPER, BEN), nobodys(pages)
    forms = [{"once": once_of((await one.get("/nobody")).text), "was": ""} for one in (keeper, other)]
    await keeper.post(f"/nobody/{reading}/give", data={**forms[0], "to": str(pages.row(BEN))})
    second = await other.post(f"/nobody/{reading}/give", data={**forms[1], "to": str(pages.row(MIRA))})
    assert second.status_code == HTTPStatus.CONFLICT
    assert "Meanwhile it was given to ben." in second.text
    assert owner(pages, reading) == BEN
    again = {"once": once_of(second.text), "was": BEN, "to": str(pages.row(MIRA))}
    await other.post(f"/nobody/{reading}/give", data=again)
    assert owner(pages, reading) == MIRA


async def test_nobody_chosen_is_said_beside_the_field(pages: Pages) -> None:
    keeper, reading = pages.signed_in(Role.KEEPER, MIRA), nobodys(pages)
    answer = await keeper.post(f"/nobody/{reading}/give", data={"to": ""})
    assert answer.status_code == 422
    assert 'aria-invalid="true" aria-describedby="wrong-1"' in answer.text
    assert "<title>Not yet: " in answer.text


async def test_a_person_gives_up_an_own_reading_and_undoes_it(pages: Pages) -> None:
    mira, row = pages.signed_in(Role.PERSON, MIRA), pages.row(MIRA)
    reading = next(readings.select(pages.store, Selection(person=MIRA))).reading_id
    form = {"once": once_of((await mira.get(f"/p/{row}/readings")).text)}
    answer = await mira.post(f"/p/{row}/readings/{reading}/not-theirs", data=form)
    assert owner(pages, reading) is None
    page = (await mira.get(answer.headers["location"])).text
    await mira.post(f"/p/{row}/readings/{reading}/theirs", data={"once": once_of(page)})
    assert owner(pages, reading) == MIRA


async def test_one_is_struck_out_corrected_and_counts_again(pages: Pages) -> None:
    mira, row, store = pages.signed_in(Role.PERSON, MIRA), pages.row(MIRA), pages.store
    reading = next(readings.select(store, Selection(person=MIRA))).reading_id

    async def act(name: str, **more: str) -> int:
        once = once_of((await mira.get(f"/p/{row}/readings")).text)
        return (await mira.post(f"/p/{row}/readings/{reading}/{name}", data={"once": once, **more})).status_code

    assert await act("strike") == 303
    assert STRUCK_OUT in readings.get(store, reading).marks
    page = (await mira.get(f"/p/{row}/readings")).text
    assert "struck out" in page
    assert f"{reading}/count-again" in page
    assert f"{reading}/correct" not in page, "what counts nowhere can count again, and nothing else"
    assert await act("count-again") == 303
    assert not VOID_MARKS.intersection(readings.get(store, reading).marks)
    assert await act("correct", pressures="12") == 422
    assert await act("correct", pressures="128/81") == 303
    assert CORRECTED in readings.get(store, reading).marks
    assert "128/81 mmHg" in (await mira.get(f"/p/{row}/readings")).text
    assert await act("count-again") == 303
    assert not VOID_MARKS.intersection(readings.get(store, reading).marks)


@pytest.mark.parametrize("act", ["not-theirs", "theirs", "strike", "count-again"])
async def test_nobody_reaches_for_anothers_reading(pages: Pages, act: str) -> None:
    mira, row = pages.signed_in(Role.PERSON, MIRA), pages.row(MIRA)
    bens = next(readings.select(pages.store, Selection(person=BEN))).reading_id
    for reading in (bens, nobodys(pages), "ffff", "%"):
        assert (await mira.post(f"/p/{row}/readings/{reading}/{act}", data={})).status_code == 404
    assert owner(pages, bens) == BEN


async def test_none_and_many(pages: Pages) -> None:
    people.add(pages.store, "new", datetime.now(UTC))
    assert "No reading yet" in (await pages.signed_in(Role.PERSON, "new").get(f"/p/{pages.row('new')}/readings")).text
    for number in range(50):
        send(pages.store, datetime(2031, 1, 1, 7, number, tzinfo=UTC), 120, cuff=KITCHEN)
    page = (await pages.signed_in(Role.PERSON, MIRA).get(f"/p/{pages.row(MIRA)}/readings")).text
    assert "40 of 70 readings are shown" in page
    assert len(page.encode()) < 100_000

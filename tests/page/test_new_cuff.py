"""Letting a cuff in on the page: digits asked for, what was learned of it and what it needs, a bond confirmed."""

import asyncio
from datetime import UTC, datetime, timedelta

import pytest
from station_page import KITCHEN, MIRA, Pages, once_of

from collector.page import live
from collector.service.listen.pairing_person import StorePerson
from collector.store import audit
from collector.store.journal import manners, pairing, visits
from collector.store.people.page_devices import Role

NEW = "F0:F1:F2:F3:F4:F5"


async def let_in(pages: Pages) -> None:
    keeper = pages.signed_in(Role.KEEPER, MIRA)
    await keeper.post("/cuffs/let-in", data={"once": once_of((await keeper.get("/cuffs")).text)})


@pytest.mark.parametrize(("typed", "expected"), [("004217", 4217), (" 123 456 ", 123456)])
async def test_the_digits_that_a_new_cuff_shows_are_asked_for_and_reach_the_service(
    pages: Pages, typed: str, expected: int
) -> None:
    person, keeper = StorePerson(pages.store), pages.signed_in(Role.KEEPER, MIRA)
    assert await person.passkey(NEW) is None, "nobody is there to ask"
    await let_in(pages)
    asked = asyncio.ensure_future(person.passkey(NEW))
    await asyncio.sleep(0)
    page = (await keeper.get("/cuffs")).text
    assert "The six digits on its display" in page
    wrong = await keeper.post(f"/cuffs/{NEW}/digits", data={"digits": "12 34"})
    assert wrong.status_code == 422
    assert 'aria-invalid="true"' in wrong.text
    await keeper.post(f"/cuffs/{NEW}/digits", data={"once": once_of(page), "digits": typed})
    assert await asked == expected
    assert "The six digits" not in (await keeper.get("/cuffs")).text


@pytest.mark.parametrize("same", [True, False])
async def test_a_number_to_compare_is_shown_with_its_zeros(pages: Pages, same: bool) -> None:
    await let_in(pages)
    asked = asyncio.ensure_future(StorePerson(pages.store).same_number(NEW, 4217))
    await asyncio.sleep(0)
    keeper = pages.signed_in(Role.KEEPER, MIRA)
    page = (await keeper.get("/cuffs")).text
    assert "004217" in page
    await keeper.post(f"/cuffs/{NEW}/digits", data={"once": once_of(page), "same": "yes" if same else "no"})
    assert await asked is same


async def test_a_question_that_the_service_gave_up_is_not_asked_any_more(pages: Pages) -> None:
    now = datetime.now(UTC)
    pairing.wait(pages.store, pairing.ANY, now + timedelta(minutes=5))
    pairing.ask(pages.store, NEW, None, now - pairing.ASK_FOR)
    assert not pairing.questions(pages.store, now)
    answer = await pages.signed_in(Role.KEEPER, MIRA).post(f"/cuffs/{NEW}/digits", data={"digits": "123456"})
    assert answer.status_code == 409


async def test_only_the_keepers_screen_is_told_of_a_question(pages: Pages) -> None:
    now = datetime.now(UTC)
    pairing.wait(pages.store, pairing.ANY, now + timedelta(minutes=5))
    pairing.ask(pages.store, NEW, None, now)
    assert live.news_for(pages.store, Role.KEEPER) != live.news_for(pages.store, Role.DESK)
    assert live.news_for(pages.store, Role.PERSON) == live.news_for(pages.store, Role.VIEWER) == ()


async def test_the_end_of_a_visit_is_news_where_cuffs_are_waited_for(pages: Pages) -> None:
    """A reading arrives before its visit ends, and only the end says that a returned cuff has sent all."""
    before = {role: live.news_for(pages.store, role) for role in Role}
    now = datetime.now(UTC)
    visit = visits.open_visit(pages.store, KITCHEN, "virtual", now)
    assert {role: live.news_for(pages.store, role) for role in Role} == before
    visits.close_visit(pages.store, visit, now, "cuff left")
    changed = {role for role in Role if live.news_for(pages.store, role) != before[role]}
    assert changed == {Role.KEEPER, Role.DESK}


async def test_what_was_learned_of_a_cuff_is_shown_with_what_to_do_and_reset(pages: Pages) -> None:
    store, now, keeper = pages.store, datetime.now(UTC), pages.signed_in(Role.KEEPER, MIRA, "kitchen tablet")
    visit = visits.open_visit(store, KITCHEN, "virtual", now)
    manners.learn(store, visit, "wants the digits on its display", "", sure=True, at=now)
    manners.learn(store, visit, "hangs up at", "reading serial number", sure=True, at=now)
    visits.close_visit(store, visit, now, "cuff left")
    page = (await keeper.get("/cuffs")).text
    for told in (
        "wants the digits on its display",
        "Let a new cuff in, below",
        "hangs up at reading serial number (now left out)",
        "Nothing to do: it is asked no more",
    ):
        assert told in page
    assert "quietcuff cuff add" not in page
    assert (await keeper.post(f"/cuffs/{KITCHEN}/as-new", data={"once": once_of(page)})).status_code == 303
    assert not manners.of(store, KITCHEN)
    (change,) = audit.changes(store, 1)
    assert (change.what, change.detail["by"]) == ("cuff manners reset", "kitchen tablet")


async def test_a_renewed_bond_is_confirmed_and_one_that_is_none_is_told(pages: Pages) -> None:
    store, now, keeper = pages.store, datetime.now(UTC), pages.signed_in(Role.KEEPER, MIRA)
    assert (await keeper.post(f"/cuffs/{KITCHEN}/confirm", data={})).status_code == 422
    visit = visits.open_visit(store, KITCHEN, "virtual", now)
    visits.learn_bond(store, visit, bonded=True, missing_on=None, at=now, renewed=True)
    visits.close_visit(store, visit, now, "cuff left")
    page = (await keeper.get("/cuffs")).text
    assert "It is my cuff" in page
    assert "cuff confirm" not in page
    assert (await keeper.post(f"/cuffs/{KITCHEN}/confirm", data={"once": once_of(page)})).status_code == 303
    assert "It is my cuff" not in (await keeper.get("/cuffs")).text

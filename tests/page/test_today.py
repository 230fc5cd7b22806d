"""Today: what is on it."""

from datetime import UTC, datetime, timedelta
from unicodedata import normalize

import pytest
from station_page import BEN, MIRA, Pages, send

from collector.numbers import words
from collector.store import people
from collector.store.people import slot_spans
from collector.store.people.page_devices import Role


async def today(pages: Pages, person: str) -> str:
    answer = await pages.signed_in(Role.PERSON, person).get(f"/p/{pages.row(person)}/today")
    assert answer.status_code == 200
    return answer.text


async def test_it_shows_the_last_reading_the_week_and_the_average(pages: Pages) -> None:
    page = await today(pages, MIRA)
    assert ">138/80<" in page or ">140/80<" in page
    assert "The average so far" in page
    assert "<bdi>mira</bdi>: " in page
    assert page.count('class="done"') == 10
    assert words.caution() in page


async def test_a_very_high_reading_has_the_calm_words(pages: Pages) -> None:
    send(pages.store, datetime.now(UTC) - timedelta(minutes=1), 186, 104)
    page = await today(pages, MIRA)
    assert words.very_high_in_a_list() in page
    assert words.signs() in page


async def test_just_after_a_very_high_reading_nothing_else_is_next(pages: Pages) -> None:
    """Not 'you are done for today'; the reading and what to do come first."""
    now = datetime.now(UTC)
    send(pages.store, now - timedelta(minutes=9), 186, 104)
    page = await today(pages, MIRA)
    assert words.very_high() in page
    assert page.index("186/104") < page.index("What is next")
    send(pages.store, now - timedelta(minutes=1), 184, 102)
    page = await today(pages, MIRA)
    assert words.still_very_high() in page
    assert "You are done for today" not in page


async def test_a_name_from_the_right_does_not_turn_the_sentence_round(pages: Pages) -> None:
    people.rename(pages.store, BEN, "משה", datetime.now(UTC))
    assert "<bdi>משה</bdi>: " in await today(pages, "משה")


async def test_without_a_reading_it_says_how_one_comes(pages: Pages) -> None:
    people.add(pages.store, "new", datetime.now(UTC))
    assert "No reading yet" in await today(pages, "new")


async def test_a_name_with_markup_is_only_a_name(pages: Pages) -> None:
    people.rename(pages.store, BEN, '<script src="//x">&"', datetime.now(UTC))
    page = await today(pages, '<script src="//x">&"')
    assert '<script src="//x"' not in page
    assert "&lt;script" in page


@pytest.mark.parametrize("name", ["משה בן-ארי", "x" * 200, "a\u0301" * 40])
async def test_names_of_all_kinds(pages: Pages, name: str) -> None:
    people.rename(pages.store, BEN, name, datetime.now(UTC))
    assert f"<bdi>{normalize('NFC', name)}</bdi>" in await today(pages, name)


async def test_a_store_that_is_gone_is_told_in_one_line(pages: Pages) -> None:
    browser = pages.signed_in(Role.PERSON, MIRA)
    pages.store.close()
    pages.station.store = type(pages.store)(pages.store.path, pages.store.connection, False)
    answer = await browser.get("/")
    assert answer.status_code == 503
    assert "Traceback" not in answer.text


def test_the_slots_are_the_persons(pages: Pages) -> None:
    assert {span.person for span in slot_spans.every(pages.store)} == {MIRA, BEN}

"""Ten thousand readings of one person: every page comes, and none is heavy. None at all: every page says what to do."""

from datetime import UTC, datetime

import pytest
from station_page import BEN, MIRA, Pages, fill

from collector.store import Selection, people, readings
from collector.store.people.page_devices import Role

LIGHT = 100_000  # octets
ALL = (
    "today",
    "measure",
    "readings",
    "readings?more",
    "time",
    "time?months=1",
    "time?months=12",
    "visit",
    "visit/page",
)


@pytest.mark.long
@pytest.mark.timeout(900)
async def test_ten_thousand_readings_of_one_person(pages: Pages) -> None:
    fill(pages.store, datetime.now(UTC), 2500)
    assert readings.count(pages.store, Selection(person=MIRA)) > 10_000
    browser, row = pages.signed_in(Role.KEEPER, MIRA), pages.row(MIRA)
    weights = {}
    for name in ALL:
        answer = await browser.get(f"/p/{row}/{name}")
        assert answer.status_code == 200, name
        weights[name] = len(answer.content)
    print(weights)
    assert max(size for name, size in weights.items() if name != "readings?more") < LIGHT
    assert (await browser.get(f"/p/{row}/visit/pdf")).status_code == 200
    assert MIRA not in (await browser.get(f"/p/{pages.row(BEN)}/visit/page")).text


@pytest.mark.parametrize("name", ALL)
async def test_no_reading_at_all(pages: Pages, name: str) -> None:
    people.add(pages.store, "new", datetime.now(UTC))
    answer = await pages.signed_in(Role.PERSON, "new").get(f"/p/{pages.row('new')}/{name}")
    assert answer.status_code == 200
    assert "new" in answer.text

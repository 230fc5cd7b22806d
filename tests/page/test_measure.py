"""The guided sitting on the page: followed again at every look, whatever lies in between."""

from datetime import UTC, datetime, timedelta

import pytest
from station_page import BEN, MIRA, Pages, once_of, send

from collector.numbers import words
from collector.numbers.protocols import PROTOCOLS
from collector.numbers.rules import Plan
from collector.service.config import parse
from collector.service.guided.replay import SittingSoFar, standing
from collector.service.guided.sitting import request_of
from collector.service.listener_lock import only_listener
from collector.share.text.preparation import READY
from collector.store import open_store, people, readings
from collector.store.database import Store
from collector.store.people import open_sittings, sittings
from collector.store.people.page_devices import Role

START = datetime(2031, 3, 4, 7, 0, tzinfo=UTC)


class Sitting:
    """mira's, at seconds after its start."""

    def __init__(self, store: Store, rest_s: float = 300.0) -> None:
        self.store = store
        self.row = people.need(store, MIRA).row
        open_sittings.begin(store, self.row, rest_s, START)

    def at(self, second: float) -> SittingSoFar:
        now = START + timedelta(seconds=second)
        sitting = open_sittings.current(self.store, self.row, now)
        assert sitting is not None
        request = request_of(MIRA, PROTOCOLS["esh-2023"], Plan(), START, sitting.rest_s, "112")
        return standing(self.store, sitting, MIRA, request, now)

    def press(self, second: float, key: str) -> None:
        now = START + timedelta(seconds=second)
        sitting = open_sittings.current(self.store, self.row, now)
        assert sitting is not None
        open_sittings.answer(self.store, sitting, key, now)

    def measure(self, second: float, systolic: int, slot: int = 1) -> str:
        """Arrives 20 seconds after it was taken."""
        return send(self.store, START + timedelta(seconds=second - 20), systolic, slot=slot)


def text(now: SittingSoFar) -> str:
    return "\n".join(line for block in now.said for line in block)


def test_a_whole_sitting_with_a_look_at_every_turn(pages: Pages) -> None:
    sitting = Sitting(pages.store)
    assert sitting.at(1).asks
    sitting.press(5, "y")
    resting = sitting.at(65.5)
    assert resting.waiting == "Rest 4:00"
    assert resting.left_s == pytest.approx(240, abs=1)
    assert sitting.at(304).left_s == pytest.approx(1, abs=1)
    assert "Start the cuff now, for reading 1" in text(sitting.at(306))
    first = sitting.measure(360, 130)
    between = sitting.at(361)
    assert between.results == ["Reading 1: 130/80 mmHg, pulse 64/min"]
    assert between.waiting.startswith("Wait 1:0") or between.waiting.startswith("Wait 0:5")
    second = sitting.measure(470, 126)
    over = sitting.at(471)
    assert over.over
    assert "Mean of this sitting: 128.0/80.0 mmHg, pulse 64/min, from 2 readings" in over.results
    (kept,) = sittings.every(pages.store, MIRA)
    assert kept.reading_ids == (first, second)
    assert kept.prepared == (*READY, "rested 5 minutes")


def test_nobody_looked_while_it_all_happened(pages: Pages) -> None:
    """The phone slept from the first answer on: what stands there is the same."""
    sitting = Sitting(pages.store)
    sitting.press(5, "y")
    for second, systolic in ((360, 130), (470, 126)):
        sitting.measure(second, systolic)
    assert sitting.at(900).over
    assert len(sittings.every(pages.store, MIRA)[0].reading_ids) == 2


def test_looking_writes_nothing_twice(pages: Pages) -> None:
    sitting = Sitting(pages.store)
    sitting.press(5, "y")
    sitting.measure(360, 130)
    sitting.at(361)
    before = pages.store.connection.total_changes
    for second in range(362, 370):
        sitting.at(second)
    assert pages.store.connection.total_changes == before


def test_it_goes_on_after_the_station_was_restarted(pages: Pages) -> None:
    sitting = Sitting(pages.store)
    sitting.press(5, "y")
    sitting.measure(360, 130)
    before = sitting.at(380)
    pages.store.close()
    with open_store(pages.store.path) as again:
        sitting.store = again
        assert sitting.at(380) == before


def test_one_that_is_nobodys_is_asked_about_and_given(pages: Pages) -> None:
    sitting = Sitting(pages.store, rest_s=0)
    sitting.press(5, "y")
    reading = sitting.measure(60, 144, slot=7)
    asked = sitting.at(61)
    assert asked.asks
    assert "It is nobody's yet. Is it yours" in asked.waiting
    sitting.press(70, "y")
    assert sitting.at(71).results == ["Reading 1: 144/80 mmHg, pulse 64/min"]
    assert readings.get(pages.store, reading).person == MIRA
    assert sitting.at(75).results == ["Reading 1: 144/80 mmHg, pulse 64/min"]


def test_one_that_is_somebody_elses_does_not_count(pages: Pages) -> None:
    sitting = Sitting(pages.store, rest_s=0)
    sitting.press(5, "y")
    sitting.measure(60, 144, slot=2)
    now = sitting.at(61)
    assert not now.results
    assert "somebody else's" in text(now)
    assert "quietcuff" not in text(now)


def test_a_very_high_one_has_the_calm_words_and_a_wait(pages: Pages) -> None:
    sitting = Sitting(pages.store, rest_s=0)
    sitting.press(5, "y")
    sitting.measure(60, 192)
    now = sitting.at(61)
    assert now.waiting.startswith("Sit quietly")
    for said in (words.very_high(), words.signs("112"), words.pregnancy("112")):
        assert said in text(now)


def test_leaving_keeps_what_was_measured(pages: Pages) -> None:
    sitting = Sitting(pages.store, rest_s=0)
    sitting.press(5, "y")
    sitting.measure(60, 128)
    sitting.press(70, "q")
    assert sitting.at(71).over
    assert "You left before the end. 1 reading" in text(sitting.at(71))
    assert sittings.every(pages.store, MIRA)


@pytest.mark.parametrize("second", [-4000, -1])
def test_a_clock_that_went_back_stands_still(pages: Pages, second: float) -> None:
    sitting = Sitting(pages.store)
    assert not sitting.at(second).over


def test_after_hours_it_is_not_taken_up_again(pages: Pages) -> None:
    sitting = Sitting(pages.store)
    late = START + open_sittings.LASTS + timedelta(seconds=1)
    assert open_sittings.current(pages.store, sitting.row, late) is None


async def test_the_sitting_is_by_the_persons_own_rule(pages: Pages) -> None:
    pages.station.config = parse('[station]\nzone = "UTC"\n[people.mira]\nprotocol = "doane-2018"')
    browser, address = pages.signed_in(Role.PERSON, MIRA), f"/p/{pages.row(MIRA)}/measure"
    with only_listener(pages.store.path):
        await browser.post(address, data={})
        page = (await browser.get(address)).text
    assert "3 readings" in page


async def test_by_the_page_from_the_first_click(pages: Pages) -> None:
    browser, address = pages.signed_in(Role.PERSON, MIRA), f"/p/{pages.row(MIRA)}/measure"
    with only_listener(pages.store.path):
        page = (await browser.get(address)).text
        assert "Nobody listens" not in page
        assert all(line.replace("'", "&#39;") in page for line in words.PREPARATION)
        await browser.post(address, data={"once": once_of(page)})
        page = (await browser.get(address)).text
        assert "Have you done points 1 to 5?" in page
        version = page.partition('name="version" value="')[2].partition('"')[0]
        await browser.post(f"{address}/answer", data={"version": version, "answer": "yes"})
        again = (await browser.get(address)).text
        assert 'role="timer"' in again
        await browser.post(f"{address}/answer", data={"version": version, "answer": "leave"})  # the old page's button
        assert 'role="timer"' in (await browser.get(address)).text
    assert "Nobody listens" in (await browser.get(address)).text
    await browser.post(f"{address}/done")
    assert "Begin" in (await browser.get(address)).text


async def test_another_persons_sitting_is_not_seen(pages: Pages) -> None:
    Sitting(pages.store)
    assert (await pages.signed_in(Role.PERSON, BEN).get(f"/p/{pages.row(MIRA)}/measure")).status_code == 404

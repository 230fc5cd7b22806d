"""Each task in a real browser, from the first click to the row in the store, with a cuff that sends live."""

import asyncio
import sqlite3
import time
from collections.abc import AsyncIterator
from contextlib import asynccontextmanager
from datetime import UTC, datetime, timedelta
from pathlib import Path

import page_states
import pytest
from browser import barriers, chromium, device, look_again, sign_in
from page_states import NEW
from playwright.async_api import Browser, expect
from station_page import BEN, KITCHEN, MIRA, Serving, household

from collector.radio.virtual import Behaviour, VirtualCuff, VirtualRadio
from collector.service.config import Config
from collector.service.listen.assemble import listen
from collector.service.listen.pairing_person import StorePerson
from collector.store import Selection, journal, people, readings
from collector.store.database import Store
from collector.store.journal import cuffs
from collector.store.people import loans, notes, office_visits, page_devices, sittings
from collector.store.people.loan_states import CHECKS, State
from collector.store.people.page_devices import Role
from collector.store.values import CORRECTED, STANDING, STRUCK_OUT, VOID_MARKS

pytestmark = [pytest.mark.system, pytest.mark.timeout(300)]


class Station:
    """The page as a process, the store open beside it, and a cuff in this process."""

    def __init__(self, store: Store, serving: Serving) -> None:
        self.store, self.serving, self.base = store, serving, serving.base
        self.cuff = VirtualCuff("Kitchen cuff", KITCHEN)
        self.measured: datetime | None = None
        self.mira, self.ben = (people.need(store, name).row for name in (MIRA, BEN))

    def link(self, role: Role = Role.PERSON, person: str | None = MIRA) -> str:
        return f"{self.base}/in/{page_devices.invite(self.store, person, role, datetime.now(UTC))}"

    @asynccontextmanager
    async def listening(self) -> AsyncIterator[None]:
        radio, stop = VirtualRadio([self.cuff], person=StorePerson(self.store)), asyncio.Event()
        listener = asyncio.create_task(listen(self.store.path, Config(), radio, stop=stop))
        await radio.listening.wait()
        try:
            yield
        finally:
            stop.set()
            await listener

    async def measure(self, systolic: int, diastolic: int, slot: int = 1) -> None:
        """No two within one second: a stamp tells no less, and of two equal ones nobody can say which is the newer."""
        if self.cuff.clock().replace(microsecond=0) == self.measured:
            await asyncio.sleep(1)
        self.measured = self.cuff.clock().replace(microsecond=0)
        self.cuff.measure(systolic, diastolic, pulse=66, user_id=slot, status=0)
        await self.cuff.wake()


@pytest.fixture
async def station(tmp_path: Path) -> AsyncIterator[Station]:
    with household(tmp_path / "station.db", datetime.now(UTC)) as store, Serving(store.path) as serving:
        yield Station(store, serving)


@pytest.fixture
async def browser() -> AsyncIterator[Browser]:
    async with chromium() as made:
        yield made


async def test_measure_now_live_with_the_station_restarted_in_the_middle(station: Station, browser: Browser) -> None:
    async with station.listening(), device(browser) as (_, page):
        await sign_in(page, station.link())
        await page.get_by_role("link", name="Measure now").click()
        await page.get_by_role("button", name="Begin").click()
        await page.get_by_role("button", name="Yes").click()
        left = await page.locator("#clock").inner_text()
        assert left.startswith(("4:5", "5:0"))
        await page.get_by_role("button", name="Go on now").click()
        await expect(page.locator("#waiting")).to_be_visible()
        await station.measure(131, 84)
        await expect(page.get_by_text("Reading 1: 131/84 mmHg")).to_be_visible()
        station.serving.stop()
        station.serving.start()
        await look_again(page)
        await expect(page.get_by_text("Reading 1: 131/84 mmHg")).to_be_visible()
        await page.get_by_role("button", name="Go on now").click()
        await expect(page.locator("#waiting")).to_be_visible()
        await station.measure(127, 82)
        await expect(page.get_by_text("Mean of this sitting: 129.0/83.0 mmHg")).to_be_visible()
        await page.get_by_role("button", name="Done").click()
        await expect(page.get_by_role("heading", name="Today")).to_be_visible()
    (kept,) = sittings.every(station.store, MIRA)
    assert len(kept.reading_ids) == 2


async def test_a_reading_is_on_every_screen_within_a_second_of_its_commit(station: Station, browser: Browser) -> None:
    """Also on the phone that was there while the station was away."""
    async with station.listening(), device(browser) as (_, one), device(browser) as (_, two):
        await sign_in(one, station.link())
        await sign_in(two, station.link(Role.KEEPER))
        await asyncio.sleep(1)  # both streams are open
        await station.measure(143, 91)
        began = time.monotonic()  # the visit is over, so the commit is some time ago: the delay is over-counted no more
        for page in (one, two):
            await expect(page.locator(".number")).to_have_text("143/91")
        print(f"on both screens {time.monotonic() - began:.2f} s after the cuff's visit ended")
        station.serving.stop()
        await station.measure(139, 88)
        station.serving.start()
        for page in (one, two):
            await expect(page.locator(".number")).to_have_text("139/88", timeout=20_000)


async def test_the_clock_is_right_after_a_phones_sleep(station: Station, browser: Browser) -> None:
    async with device(browser) as (_, page):
        await sign_in(page, station.link())
        await page.clock.install()
        await page.goto(f"{station.base}/p/{station.mira}/measure")
        await page.get_by_role("button", name="Begin").click()
        await page.get_by_role("button", name="Yes").click()
        await page.clock.run_for(1000)
        first = await page.locator("#clock").inner_text()
        await page.clock.fast_forward(200_000)
        await page.clock.run_for(500)
        after = await page.locator("#clock").inner_text()

    def seconds(shown: str) -> int:
        minutes, rest = shown.split(":")
        return 60 * int(minutes) + int(rest)

    assert 199 <= seconds(first) - seconds(after) <= 202


async def test_nobodys_reading_is_given_by_two_who_look_at_it(station: Station, browser: Browser) -> None:
    async with device(browser) as (_, one), device(browser) as (_, two):
        for page in (one, two):
            await sign_in(page, station.link(Role.KEEPER))
            await page.goto(f"{station.base}/nobody")
        await one.get_by_role("combobox").select_option(label=BEN)
        await one.get_by_role("button", name="Give it").click()
        await expect(one.get_by_text("is ben's now")).to_be_visible()
        await two.get_by_role("combobox").select_option(label=MIRA)
        await two.get_by_role("button", name="Give it").click()
        await expect(two.get_by_text("Meanwhile it was given to ben.")).to_be_visible()
        assert readings.count(station.store, Selection(person=BEN)) == 2
        await one.get_by_role("button", name="Undo").click()
        assert readings.unassigned(station.store) == 1


async def test_a_note_a_cuffs_name_and_a_loan_without_any_script(station: Station, browser: Browser) -> None:
    async with device(browser, java_script_enabled=False) as (_, page):
        await sign_in(page, station.link(Role.KEEPER))
        await page.get_by_role("link", name="Over time").click()
        await page.get_by_label("What happened?").fill("new tablet")
        await page.get_by_role("button", name="Note it").click()
        assert [note.text for note in notes.every(station.store, MIRA)] == ["new tablet"]
        await page.get_by_role("link", name="Cuffs").click()
        await page.locator("summary").click()
        await page.get_by_label("What do you call it?").fill("מטבח")
        await page.get_by_role("button", name="Call it so").click()
        assert cuffs.given_name(station.store, KITCHEN) == "מטבח"
        await page.get_by_role("link", name="Loan desk").click()
        await page.get_by_role("checkbox").check()
        await page.get_by_role("button", name="Take them back").click()
        await expect(page.get_by_text("Switch it on and let it send.")).to_be_visible()


async def test_digits_that_a_cuff_shows_are_typed_on_the_page_and_it_delivers(tmp_path: Path, browser: Browser) -> None:
    """The real exchange: a cuff that demands its digits, the service that has no keyboard, a person at the page."""
    shy = VirtualCuff("New cuff", NEW, behaviour=Behaviour(passkey=4217, demands_digits=True, lingers_s=3.0))
    with household(tmp_path / "station.db", datetime.now(UTC)) as store, Serving(store.path) as serving:
        here = Station(store, serving)
        here.cuff = shy
        async with here.listening(), device(browser) as (_, page):
            await sign_in(page, here.link(Role.KEEPER))
            await page.get_by_role("link", name="Cuffs").click()
            await page.get_by_role("button", name="Let a new cuff in").click()
            await expect(page.get_by_text("New cuffs are taken in until")).to_be_visible()
            measuring = asyncio.create_task(here.measure(131, 84))
            await page.get_by_label("The six digits on its display").fill("004217")
            await page.get_by_role("button", name="Let it in").click()
            await measuring
            await expect(page.get_by_role("heading", name=NEW, exact=True)).to_be_visible()
        assert shy.confirmed == shy.measured
        assert readings.count(store, Selection(cuff=NEW)) == 1


async def test_what_is_being_typed_stays_when_a_reading_comes(station: Station, browser: Browser) -> None:
    async with station.listening(), device(browser) as (_, page):
        await sign_in(page, station.link())
        await page.goto(f"{station.base}/p/{station.mira}/readings")
        await asyncio.sleep(1)  # the stream is open
        await page.locator("summary").first.click()
        await page.get_by_label("It should be").first.fill("128/8")
        await station.measure(151, 95)
        await expect(page.get_by_text("It shows when you are done here.")).to_be_visible()
        assert await page.get_by_label("It should be").first.input_value() == "128/8"
        await page.get_by_label("It should be").first.fill("128/81")
        await page.get_by_role("button", name="Correct it").first.click()
        await expect(page.get_by_text("151/95 mmHg").first).to_be_visible()
        await expect(page.get_by_text("128/81 mmHg").first).to_be_visible()
    assert any(CORRECTED in one.marks for one in readings.select(station.store, Selection(person=MIRA)))


async def test_strike_standing_dose_and_office_from_first_click_to_the_row(station: Station, browser: Browser) -> None:
    async with device(browser) as (_, page):
        await sign_in(page, station.link())
        await page.get_by_role("button", name="I have just taken it").click()
        await expect(page.get_by_text("Last noted dose at")).to_be_visible()
        assert len(notes.every(station.store, MIRA, notes.DOSE)) == 1
        await page.get_by_role("link", name="Readings").click()
        for button, mark in (("Strike it out", STRUCK_OUT), ("It was taken standing", STANDING)):
            await page.locator("summary").first.click()
            await page.get_by_role("button", name=button).first.click()
            await expect(page.get_by_text(mark).first).to_be_visible()
            newest = list(readings.select(station.store, Selection(person=MIRA)))[-1]
            assert mark in newest.marks
            await page.locator("summary").first.click()
            await page.get_by_role("button", name="Let it count again").click()
            await expect(page.get_by_role("button", name="Let it count again")).to_have_count(0)
            assert not VOID_MARKS.intersection(readings.get(station.store, newest.reading_id).marks)
        await page.get_by_role("link", name="Over time").click()
        await page.get_by_label("The values, such as 144/91 139/88").fill("144/91 139/88")
        await page.get_by_role("button", name="Keep them").click()
        await expect(page.get_by_text("144/91, 139/88 mmHg")).to_be_visible()
    (visit,) = office_visits.every(station.store, MIRA)
    assert len(visit.readings) == 2


async def test_several_cuffs_come_back_at_once_with_live_progress(station: Station, browser: Browser) -> None:
    now, second = datetime.now(UTC), "C0:FF:EE:00:00:0B"
    for cuff in (page_states.LENT, second):
        cuffs.remember(station.store, cuff, now)
        loans.set_state(station.store, cuff, State.AVAILABLE, now - timedelta(days=9))
        loans.lend(station.store, cuff, f"B-{cuff[-2:]}", ("any",), now - timedelta(days=2))
    station.cuff = VirtualCuff("clinic", page_states.LENT)
    async with station.listening(), device(browser) as (_, page):
        await sign_in(page, station.link(Role.DESK, None))
        for code in ("B-0A", "B-0B"):
            await page.get_by_role("checkbox", name=code).check()
        await page.get_by_role("button", name="Take them back").click()
        await expect(page.get_by_text("Switch it on and let it send.")).to_have_count(2)
        await asyncio.sleep(1)  # the stream is open
        await station.measure(133, 84)
        await expect(page.get_by_text(CHECKS[0].question)).to_be_visible(timeout=30_000)
        await expect(page.get_by_text("Switch it on and let it send.")).to_have_count(1)
        station.serving.stop()
        station.serving.start()
        for check in CHECKS:
            await look_again(page)
            await expect(page.get_by_text(check.question)).to_be_visible()
            await page.get_by_role("button", name="Yes").click()
        await expect(page.get_by_role("cell", name="available")).to_be_visible()
    assert loans.state_of(station.store, page_states.LENT) is State.AVAILABLE
    assert loans.state_of(station.store, second) is State.RETURNED


async def test_a_clock_in_doubt_and_a_store_that_is_held_are_told_on_the_screen(
    station: Station, browser: Browser
) -> None:
    async with device(browser) as (_, page):
        await sign_in(page, station.link(Role.KEEPER))
        other = sqlite3.connect(station.store.path, isolation_level=None)
        other.execute("BEGIN IMMEDIATE")
        await page.get_by_role("button", name="I have just taken it").click()
        await expect(page.get_by_text("another program holds the store")).to_be_visible()
        other.execute("ROLLBACK")
        other.close()
        to_come = datetime.now(UTC) + timedelta(days=2)
        journal.append(
            station.store, cuff=KITCHEN, characteristic=0x2A35, value=b"?", source="virtual", arrived_at=to_come
        )
        await page.goto(f"{station.base}/p/{station.mira}/today")
        await page.get_by_role("button", name="I have just taken it").click()
        await expect(page.get_by_text("this machine's clock shows")).to_be_visible()
    assert not notes.every(station.store, MIRA)


async def test_a_removed_device_is_out_at_once(station: Station, browser: Browser) -> None:
    async with device(browser) as (_, keeper), device(browser) as (_, phone):
        await sign_in(phone, station.link(Role.PERSON, BEN))
        await sign_in(keeper, station.link(Role.KEEPER))
        await keeper.get_by_role("link", name="Devices").click()
        await keeper.get_by_role("listitem").filter(has_text=BEN).get_by_role("button").click()
        await expect(phone.get_by_role("heading", name="Not signed in")).to_be_visible()


@pytest.mark.parametrize("scheme", ["light", "dark"])
async def test_axe_finds_nothing_on_any_page_or_form(station: Station, browser: Browser, scheme: str) -> None:
    page_states.furnish(station.store)
    async with device(browser, color_scheme=scheme) as (_, page):
        await sign_in(page, station.link(Role.KEEPER))
        found, seen = {}, 0
        async for state in page_states.every(page, station.serving, station.store, station.mira):
            seen += 1
            found[state] = await barriers(page)
            await page.emulate_media(media="print")
            found[f"{state} in print"] = await barriers(page)
            await page.emulate_media(media="screen")
        assert not {state: some for state, some in found.items() if some}
        assert seen > 25


async def test_axe_would_find_something(browser: Browser) -> None:
    async with device(browser) as (_, page):
        await page.set_content("<html><body><img src='data:,'><p style='color:#aaa'>pale</p><button></button>")
        found = {name for name, _ in await barriers(page)}
    assert {"image-alt", "color-contrast", "button-name", "html-has-lang"} <= found

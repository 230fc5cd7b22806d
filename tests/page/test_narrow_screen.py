"""A narrow screen, and text of twice the size, in a real browser: nothing runs out, is cut or lies on other text."""

from collections.abc import AsyncIterator
from datetime import UTC, datetime
from pathlib import Path

import page_states
import pytest
from browser import chromium, device, sign_in
from playwright.async_api import Browser, Page
from station_page import MIRA, Serving, household

from collector.store import people
from collector.store.database import Store
from collector.store.people import page_devices
from collector.store.people.page_devices import Role

pytestmark = [pytest.mark.system, pytest.mark.timeout(300)]


@pytest.fixture
async def station(tmp_path: Path) -> AsyncIterator[tuple[Store, Serving]]:
    with household(tmp_path / "station.db", datetime.now(UTC)) as store, Serving(store.path) as serving:
        page_states.furnish(store)
        yield store, serving


@pytest.fixture
async def browser() -> AsyncIterator[Browser]:
    async with chromium() as made:
        yield made


async def come_in(page: Page, store: Store, serving: Serving, person: str, larger: str) -> None:
    await page.add_init_script(
        f"addEventListener('DOMContentLoaded', () => document.documentElement.style.fontSize = '{larger}')"
    )
    await sign_in(page, f"{serving.base}/in/{page_devices.invite(store, person, Role.KEEPER, datetime.now(UTC))}")


LONG = ("a name that is very long and does not fit anywhere " * 4)[:199]
FROM_THE_RIGHT = "משה בן-ארי הכהן משפחה ארוכה מאוד " * 4


@pytest.mark.parametrize("name", [LONG.strip(), FROM_THE_RIGHT.strip(), "x" * 120], ids=["long", "right", "unbroken"])
@pytest.mark.parametrize(("width", "larger"), [(320, "100%"), (640, "200%")])
async def test_nothing_runs_out_of_a_narrow_screen(
    station: tuple[Store, Serving], browser: Browser, width: int, larger: str, name: str
) -> None:
    store, serving = station
    people.rename(store, MIRA, name, datetime.now(UTC))
    row = people.need(store, name).row
    async with device(browser, viewport={"width": width, "height": 640}) as (_, page):
        await come_in(page, store, serving, name, larger)
        async for state in page_states.every(page, serving, store, row):
            if state != "visit/page":  # the sheet of paper itself
                assert await page.evaluate("document.documentElement.scrollWidth") <= width, state
                assert not await _small_targets(page), state


async def _small_targets(page: Page) -> object:
    return await page.evaluate(
        """() => [...document.querySelectorAll('a, button, summary, input:not([type=hidden]), select')]
            .filter(e => e.getClientRects().length && !e.matches('.skip, p a:not(.act)'))
            .map(e => [e.textContent.trim(), e.getBoundingClientRect().width, e.getBoundingClientRect().height])
            .filter(([, width, height]) => width < 24 || height < 24)"""
    )


@pytest.mark.parametrize("larger", ["100%", "200%"])
async def test_no_text_is_cut_or_lies_on_other_text(
    station: tuple[Store, Serving], browser: Browser, larger: str
) -> None:
    store, serving = station
    own = f"p/{people.need(store, MIRA).row}"
    async with device(browser, viewport={"width": 360, "height": 640}) as (_, page):
        await come_in(page, store, serving, MIRA, larger)
        for path in (f"{own}/today", f"{own}/readings", f"{own}/visit", f"{own}/time", "devices", "desk", "station"):
            await page.goto(f"{serving.base}/{path}")
            await page.evaluate("document.querySelectorAll('details').forEach(one => one.open = true)")
            assert await page.evaluate("document.documentElement.scrollWidth") <= 360, path
            assert not await page.evaluate(CUT_OR_OVERLAID), path
        await page.goto("about:blank")
        await page.set_content("<p>words</p><p style='margin-top: -2.2em'>others</p>")
        assert await page.evaluate(CUT_OR_OVERLAID)


CUT_OR_OVERLAID = """() => {
    const shown = [...document.querySelectorAll('body *')].filter(e => e.checkVisibility({visibilityProperty: true})
        && !e.closest('svg, .skip, .unseen'));
    const cut = shown.filter(e => /hidden|clip/.test(getComputedStyle(e).overflow)
            && (e.scrollWidth > e.clientWidth + 1 || e.scrollHeight > e.clientHeight + 1))
        .map(e => ['cut', e.tagName, e.textContent.trim().slice(0, 40)]);
    const pieces = shown.flatMap(e => [...e.childNodes].filter(n => n.nodeType === 3 && n.textContent.trim())
        .flatMap(n => {
            const range = document.createRange();
            range.selectNodeContents(n);
            return [...range.getClientRects()].map(({left, right, top, bottom, height}) => (
                {n, box: {left, right, top: top + .2 * height, bottom: bottom - .2 * height}, bar: e.closest('.bar')}));
        }));
    const overlaid = pieces.flatMap((a, i) => pieces.slice(i + 1).filter(b => a.n !== b.n && a.bar === b.bar
            && Math.min(a.box.right, b.box.right) - Math.max(a.box.left, b.box.left) > 2
            && Math.min(a.box.bottom, b.box.bottom) - Math.max(a.box.top, b.box.top) > 2)
        .map(b => ['overlaid', a.n.textContent.trim().slice(0, 40), b.n.textContent.trim().slice(0, 40)]));
    return [...cut, ...overlaid].slice(0, 10);
}"""
"""What is cut and what lies on other text; the bar at the foot lies on the page on purpose, as one scrolls.
Of a line's box the letters fill the middle three fifths."""

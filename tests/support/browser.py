"""A real browser over the page: Debian's Chromium, driven by Playwright, and axe-core to look for barriers."""

from collections.abc import AsyncIterator
from contextlib import asynccontextmanager
from pathlib import Path
from typing import Any

from playwright.async_api import Browser, BrowserContext, Error, Page, async_playwright, expect

ROOT = Path(__file__).parents[2]
CHROMIUM = "/usr/bin/chromium"
AXE = ROOT / "build/npm/node_modules/axe-core/axe.min.js"
"""Brought by `npm install --prefix build/npm axe-core@4`, as .ci/run does."""
FLAGS = ("--font-render-hinting=none", "--disable-lcd-text", "--force-color-profile=srgb", "--hide-scrollbars")
RULES = ("wcag2a", "wcag2aa", "wcag21a", "wcag21aa", "wcag22aa", "best-practice")
PHONE = {"width": 390, "height": 844}

expect.set_options(timeout=30_000)  # a busy machine is late, not wrong; what is wrong stays so


@asynccontextmanager
async def chromium(*flags: str) -> AsyncIterator[Browser]:
    async with async_playwright() as playwright:
        browser = await playwright.chromium.launch(executable_path=CHROMIUM, args=[*FLAGS, *flags])
        yield browser
        await browser.close()


@asynccontextmanager
async def device(browser: Browser, **more: Any) -> AsyncIterator[tuple[BrowserContext, Page]]:
    """One device with cookies of its own. What a script throws, and what the page's policy stops, fails the test."""
    wrong: list[str] = []
    options = {"locale": "en-GB", "timezone_id": "UTC", "viewport": PHONE, "reduced_motion": "reduce", **more}
    context = await browser.new_context(**options)
    context.set_default_timeout(30_000)
    page = await context.new_page()
    page.on("pageerror", lambda error: wrong.append(str(error)))
    page.on("console", lambda told: wrong.append(told.text) if "Content Security Policy" in told.text else None)
    try:
        yield context, page
    finally:
        await context.close()
    assert not wrong, wrong


async def sign_in(page: Page, link: str) -> None:
    await page.goto(link)
    await page.get_by_role("button", name="Sign in").click()
    await page.get_by_text("Sign this device out").wait_for()


async def look_again(page: Page) -> None:
    """As a person reloads. The page may be doing so by itself at that moment, which ends ours: then once more."""
    for _ in range(4):
        try:
            await page.reload()
            return
        except Error:
            await page.wait_for_load_state()
    await page.reload()


async def barriers(page: Page) -> list[Any]:
    """What axe-core finds. It is evaluated, not loaded: the page's own policy lets no script in."""
    if not await page.evaluate("() => !!window.axe"):
        await page.evaluate(AXE.read_text("utf-8"))
    found = await page.evaluate("rules => axe.run(document, {runOnly: rules})", list(RULES))
    return [(one["id"], [node["target"] for node in one["nodes"]][:3]) for one in found["violations"]]

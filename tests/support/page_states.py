"""Every page, and every state of its forms, as a browser comes upon them."""

from collections.abc import AsyncIterator
from datetime import UTC, datetime, timedelta
from typing import TYPE_CHECKING

from station_page import KITCHEN, Serving

from collector.store import people
from collector.store.database import Store
from collector.store.journal import cuffs, manners, pairing, visits
from collector.store.people import loans, notes
from collector.store.people.loan_states import State
from collector.store.people.page_devices import Role, invite

if TYPE_CHECKING:
    from playwright.async_api import Locator, Page

NEW = "F0:F1:F2:F3:F4:F5"
LENT = "C0:FF:EE:00:00:0A"


def furnish(store: Store) -> None:
    """What fills the pages: a cuff that needs something, one that asks, one that is lent, a dose and a note."""
    now = datetime.now(UTC)
    visit = visits.open_visit(store, KITCHEN, "virtual", now)
    manners.learn(store, visit, "wants the digits on its display", "", sure=True, at=now)
    visits.learn_bond(store, visit, bonded=True, missing_on=None, at=now, renewed=True)
    visits.close_visit(store, visit, now, "cuff left")
    cuffs.remember(store, LENT, now)
    loans.set_state(store, LENT, State.AVAILABLE, now - timedelta(days=9))
    loans.lend(store, LENT, "B-117", ("any",), now)
    notes.add(store, people.by_row(store, 1).name, now.date(), "00:01", notes.DOSE, now)  # type: ignore[union-attr]
    notes.add(store, people.by_row(store, 1).name, now.date(), "new tablet", notes.REGIMEN, now)  # type: ignore[union-attr]


async def every(page: "Page", serving: Serving, store: Store, row: int) -> AsyncIterator[str]:
    """Goes through them and says which it is. Signed in as keeper."""
    base, own = serving.base, f"{serving.base}/p/{row}"

    async def press(button: "Locator") -> None:
        """And see what follows: a click alone may return before it."""
        async with page.expect_navigation():
            await button.click()

    async def wrong(path: str, field: str, value: str, button: str) -> str:
        """A form sent with what is not taken."""
        await page.goto(base + path)
        await page.evaluate("document.querySelectorAll('details').forEach(one => one.open = true)")
        form = page.locator("form").filter(has=page.get_by_role("button", name=button)).first
        await form.locator(f"[name={field}]").evaluate(
            "(one, value) => { one.required = false; one.removeAttribute('maxlength'); one.value = value; }", value
        )
        await press(form.get_by_role("button", name=button).first)
        return f"{path}: {field} not taken"

    for path in ("people", "nobody", "station", "devices", "desk", "in/x", "nothing"):
        await page.goto(f"{base}/{path}")
        yield path
    for name in ("today", "readings", "time", "visit", "visit/page"):
        await page.goto(f"{own}/{name}")
        await page.evaluate("document.querySelectorAll('details').forEach(one => one.open = true)")
        yield name
    now = datetime.now(UTC)
    pairing.wait(store, pairing.ANY, now + timedelta(minutes=9))
    cuffs.open_window(store, now + timedelta(minutes=9))
    for number in (None, 4217):
        pairing.ask(store, NEW, number, datetime.now(UTC))
        await page.goto(f"{base}/cuffs")
        await page.evaluate("document.querySelectorAll('details').forEach(one => one.open = true)")
        yield f"cuffs, asked {number}"
    pairing.ask(store, NEW, None, datetime.now(UTC))
    yield await wrong("/cuffs", "digits", "12", "Let it in")
    yield await wrong("/cuffs", "name", "C0:FF:EE:00:00:09", "Call it so")
    yield await wrong(f"/p/{row}/readings", "pressures", "12", "Correct it")
    yield await wrong(f"/p/{row}/time", "text", "", "Note it")
    yield await wrong(f"/p/{row}/time", "values", "144", "Keep them")
    yield await wrong("/nobody", "to", "", "Give it")
    await page.goto(f"{own}/visit?first=soon")
    yield "visit, a day that is none"
    yield await wrong("/desk", "reason", "display cracked", "Mark it")
    await page.goto(f"{base}/desk")
    for box in await page.get_by_role("checkbox").all():
        await box.check()
    await press(page.get_by_role("button", name="Take them back"))
    yield "desk, coming back"
    await page.goto(f"{own}/measure")
    yield "measure"
    await press(page.get_by_role("button", name="Begin"))
    yield "measure, asking"
    await press(page.get_by_role("button", name="Yes"))
    yield "measure, resting"
    await press(page.get_by_role("button", name="Leave the sitting"))
    yield "measure, left"
    await page.goto(f"{base}/in/{invite(store, None, Role.DESK, datetime.now(UTC))}")
    yield "a link"

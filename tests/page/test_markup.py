"""Every page's markup, without a browser: one heading of the first level, no id twice, a label at every field."""

from datetime import UTC, datetime, timedelta
from html.parser import HTMLParser

import pytest
from page_states import LENT, NEW, furnish
from station_page import KITCHEN, MIRA, Pages, send

from collector.page.rendering import commands
from collector.store import Selection, readings
from collector.store.journal import cuffs, pairing
from collector.store.people import loans
from collector.store.people.page_devices import Role

FIELDS = ("input", "select", "textarea")


class Markup(HTMLParser):
    """wrong: what is wrong, in words."""

    def __init__(self, text: str) -> None:
        super().__init__()
        self.ids: list[str] = []
        self.labelled: set[str] = set()
        self.fields: list[tuple[str, bool]] = []  # id, and whether a label stands around it
        self.pointed: set[str] = set()
        self.levels: list[int] = []
        self.raw: list[str] = []  # a command as a terminal marks it, or its tag shown
        self._in_label = 0
        self.feed(text)

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        found = {name: value or "" for name, value in attrs}
        self.ids += [found["id"]] if "id" in found else []
        for name in ("aria-labelledby", "aria-describedby"):
            self.pointed |= set(found.get(name, "").split())
        if tag == "label":
            self._in_label += 1
            self.labelled.add(found.get("for", ""))
        elif tag in FIELDS and found.get("type") != "hidden":
            self.fields.append((found.get("id", ""), bool(self._in_label)))
        elif tag in ("h1", "h2", "h3", "h4"):
            self.levels.append(int(tag[1]))

    def handle_data(self, data: str) -> None:
        self.raw += [data] if "`" in data or "<code" in data else []

    def handle_endtag(self, tag: str) -> None:
        self._in_label -= tag == "label"

    @property
    def wrong(self) -> list[str]:
        told = [f"id {one} twice" for one in set(self.ids) if self.ids.count(one) > 1]
        told += [f"no label at field {one!r}" for one, inside in self.fields if not inside and one not in self.labelled]
        told += [f"`, for a terminal: {one}" for one in self.raw]
        told += [f"nothing has the id {one}" for one in self.pointed - set(self.ids)]
        told += [f"{self.levels.count(1)} headings of the first level"] if self.levels.count(1) != 1 else []
        steps = zip([0, *self.levels], self.levels, strict=False)
        return told + [f"a heading of level {after} under {before}" for before, after in steps if after > before + 1]


def test_faults_are_found() -> None:
    text = "<h2 id=a></h2><h4 id=a></h4><input id=b><p aria-describedby=c>`run`</p>"
    assert len(Markup(text).wrong) == 7


async def test_every_page_and_every_form_that_was_not_taken(pages: Pages) -> None:
    store, now, row = pages.store, datetime.now(UTC), pages.row(MIRA)
    furnish(store)
    send(store, now - timedelta(minutes=2), 186, 104)
    pairing.wait(store, pairing.ANY, now + timedelta(minutes=9))
    cuffs.open_window(store, now + timedelta(minutes=9))
    pairing.ask(store, NEW, None, datetime.now(UTC))
    keeper = pages.signed_in(Role.KEEPER, MIRA)
    lent = loans.current(store, LENT)
    assert lent
    await keeper.post("/desk/back", data={f"back:{LENT}": str(lent.row), f"back:{KITCHEN}": ""})
    own = list(readings.select(store, Selection(person=MIRA)))[-1].reading_id
    (nobodys,) = (one.reading_id for one in readings.select(store, Selection(unassigned=True)))
    await keeper.post(f"/p/{row}/readings/{own}/strike", data={})
    names = ("today", "measure", "readings", "time", "visit", "visit?first=x", "visit/page")
    shown = {f"/p/{row}/{name}": await keeper.get(f"/p/{row}/{name}") for name in names}
    for path in ("/people", "/nobody", "/cuffs", "/station", "/devices", "/desk", "/in/x", "/nothing"):
        shown[path] = await keeper.get(path)
    for path, data in (
        (f"/cuffs/{NEW}/digits", {"digits": "12"}),
        (f"/cuffs/{KITCHEN}/name", {"name": "C0:FF:EE:00:00:09"}),
        (f"/p/{row}/readings/{own}/correct", {"pressures": "12"}),
        (f"/p/{row}/notes", {"text": "", "day": "2031-03-04", "kind": "regimen"}),
        (f"/p/{row}/office", {"values": "144", "day": "2026-03-04"}),
        (f"/nobody/{nobodys}/give", {"to": "", "was": ""}),
        ("/desk/lend", {"cuff": KITCHEN, "code": "B-1"}),
        ("/desk/back", {}),
        ("/in/x", {}),
    ):
        shown[f"POST {path}"] = await keeper.post(path, data=data)
    await keeper.post(f"/p/{row}/measure", data={})
    shown["asking"] = await keeper.get(f"/p/{row}/measure")
    wrong = {path: Markup(answer.text).wrong for path, answer in shown.items()}
    assert not {path: told for path, told in wrong.items() if told}


@pytest.mark.parametrize("role", [Role.PERSON, Role.VIEWER, Role.DESK])
async def test_the_first_page_of_every_role(pages: Pages, role: Role) -> None:
    furnish(pages.store)
    browser = pages.signed_in(role, None if role is Role.DESK else MIRA)
    assert not Markup((await browser.get("/", follow_redirects=True)).text).wrong


def test_a_command_between_backticks_is_code_and_all_else_is_text() -> None:
    assert commands("give `cuff name <address>` & wait") == "give <code>cuff name &lt;address&gt;</code> &amp; wait"

"""Route by role: what each may, and that nobody sees another's. The table is the requirement."""

import re
from typing import Any

import pytest
from starlette.routing import Route
from station_page import BEN, MIRA, Pages

from collector.page.app import ROUTES
from collector.page.guard import HEADERS
from collector.page.visitor import ANYBODY
from collector.store.people.page_devices import Role

P, K, D, V = Role.PERSON, Role.KEEPER, Role.DESK, Role.VIEWER
ALL = frozenset(Role)
SEES, CHANGES, LENDS = frozenset({P, K, V}), frozenset({P, K}), frozenset({D, K})
TABLE: dict[tuple[str, str], frozenset[Any]] = {
    ("GET", "/"): ALL,
    ("GET", "/in/{token}"): ANYBODY,
    ("POST", "/in/{token}"): ANYBODY,
    ("POST", "/out"): ALL,
    ("GET", "/people"): frozenset({K}),
    ("GET", "/devices"): frozenset({K}),
    ("POST", "/devices/{number:int}/revoke"): frozenset({K}),
    ("GET", "/events"): ALL,
    ("GET", "/static/{name}"): ANYBODY,
    ("GET", "/p/{person:int}/today"): SEES,
    ("GET", "/p/{person:int}/measure"): CHANGES,
    ("POST", "/p/{person:int}/measure"): CHANGES,
    ("POST", "/p/{person:int}/measure/answer"): CHANGES,
    ("POST", "/p/{person:int}/measure/done"): CHANGES,
    ("GET", "/p/{person:int}/readings"): SEES,
    ("POST", "/p/{person:int}/readings/{reading}/not-theirs"): CHANGES,
    ("POST", "/p/{person:int}/readings/{reading}/theirs"): CHANGES,
    ("POST", "/p/{person:int}/readings/{reading}/strike"): CHANGES,
    ("POST", "/p/{person:int}/readings/{reading}/count-again"): CHANGES,
    ("POST", "/p/{person:int}/readings/{reading}/correct"): CHANGES,
    ("POST", "/p/{person:int}/readings/{reading}/standing"): CHANGES,
    ("POST", "/p/{person:int}/dose"): CHANGES,
    ("POST", "/p/{person:int}/office"): CHANGES,
    ("GET", "/p/{person:int}/visit"): SEES,
    ("GET", "/p/{person:int}/visit/page"): SEES,
    ("GET", "/p/{person:int}/visit/pdf"): SEES,
    ("GET", "/p/{person:int}/time"): SEES,
    ("POST", "/p/{person:int}/notes"): CHANGES,
    ("POST", "/p/{person:int}/notes/{note}/remove"): CHANGES,
    ("GET", "/cuffs"): frozenset({K}),
    ("POST", "/cuffs/let-in"): frozenset({K}),
    ("POST", "/cuffs/{cuff}/name"): frozenset({K}),
    ("POST", "/cuffs/{cuff}/forget"): frozenset({K}),
    ("POST", "/cuffs/{cuff}/digits"): frozenset({K}),
    ("POST", "/cuffs/{cuff}/as-new"): frozenset({K}),
    ("POST", "/cuffs/{cuff}/confirm"): frozenset({K}),
    ("GET", "/station"): frozenset({K}),
    ("GET", "/desk"): LENDS,
    ("POST", "/desk/lend"): LENDS,
    ("POST", "/desk/back"): LENDS,
    ("POST", "/desk/mark"): LENDS,
    ("POST", "/desk/{loan:int}/check"): LENDS,
    ("GET", "/desk/{loan:int}/summary"): LENDS,
    ("GET", "/nobody"): frozenset({K}),
    ("POST", "/nobody/{reading}/give"): frozenset({K}),
    ("POST", "/nobody/{reading}/take-back"): frozenset({K}),
}
MIRAS = ("131/80", "139/80", "129/80")
"""What stands on no page that is not mira's: values that only her readings have."""


def named() -> dict[tuple[str, str], frozenset[Any]]:
    found = {}
    for route in ROUTES:
        assert isinstance(route, Route)
        for method in (route.methods or set()) - {"HEAD"}:
            found[method, route.path] = route.endpoint.roles
    return found


def test_the_table_names_every_route_and_its_roles() -> None:
    assert named() == TABLE


@pytest.mark.parametrize("path", ["/p/{}/today", "/desk/{}/summary"])
async def test_a_number_that_no_row_has_is_not_there(pages: Pages, path: str) -> None:
    for number in ("9" * 18, "9" * 20, "9" * 5000):
        assert (await pages.signed_in(K, None).get(path.format(number))).status_code == 404


@pytest.mark.parametrize("number", ["9" * 20, "9" * 5000, "²", "-1", ""])
async def test_a_form_that_names_nobody_is_asked_again(pages: Pages, number: str) -> None:
    """Whoever sends a number that no library takes had a page without words."""
    nobodys = str(pages.store.scalar("SELECT reading_id FROM reading WHERE person_id IS NULL"))
    answer = await pages.signed_in(K, None).post(f"/nobody/{nobodys}/give", data={"to": number, "once": "x"})
    assert (answer.status_code, "Choose whose it is" in answer.text) == (422, True)


def address(path: str, row: int) -> str:
    filled = path.replace("{person:int}", str(row)).replace("{number:int}", "1").replace("{token}", "x")
    return (
        filled.replace("{name}", "page.css")
        .replace("{reading}", "00")
        .replace("{note}", "00")
        .replace("{cuff}", "none")
        .replace("{loan:int}", "1")
    )


@pytest.mark.parametrize("route", [route for route in TABLE if route[1] != "/events"], ids=" ".join)
async def test_each_role_gets_what_the_table_says(pages: Pages, route: tuple[str, str]) -> None:
    method, path = route
    for role in (None, *Role):
        browser = pages.browser() if role is None else pages.signed_in(role, None if role is D else MIRA)
        answer = await browser.request(method, address(path, pages.row(MIRA)))
        allowed = TABLE[route]
        if allowed is ANYBODY or role in allowed:
            assert answer.status_code not in (401, 403), role
        else:
            assert answer.status_code == (401 if role is None else 403), role
            assert not any(value in answer.text for value in MIRAS)
        assert "strict-transport-security" not in answer.headers  # it would cut off other services of this host
        for name, value in HEADERS:
            if name != b"cache-control" or "static" not in path:
                assert answer.headers[name.decode()] == value.decode() or name == b"content-security-policy"


@pytest.mark.parametrize(
    ("route", "role"),
    [(route, role) for route, roles in TABLE.items() if "{person:int}" in route[1] for role in (P, V) if role in roles],
    ids=str,
)
async def test_another_persons_pages_are_as_if_they_were_not(pages: Pages, route: tuple[str, str], role: Role) -> None:
    """The fifth promise, at every route: another's, and nobody's number, answer alike."""
    method, path = route
    browser = pages.signed_in(role, BEN)
    other, none = [await browser.request(method, address(path, row)) for row in (pages.row(MIRA), 9999)]
    assert other.status_code == none.status_code == 404
    assert other.text == none.text
    assert not any(value in other.text for value in MIRAS)


@pytest.mark.parametrize("role", [P, V, K])
@pytest.mark.parametrize(
    "path", [path for method, path in TABLE if method == "GET" and "{person:int}" in path and "events" not in path]
)
async def test_no_page_of_one_person_holds_anothers_values(pages: Pages, path: str, role: Role) -> None:
    """A printed page never holds another person's data: mira's values on none of ben's pages, for whomever."""
    browser = pages.signed_in(role, BEN)
    answer = await browser.get(address(path, pages.row(BEN)))
    if answer.status_code == 200:
        assert not any(value in answer.text for value in MIRAS)
        assert MIRA not in answer.text.replace("/p/", "")


@pytest.mark.parametrize("role", [P, V, K])
async def test_no_address_on_any_page_tells_of_anybody(pages: Pages, role: Role) -> None:
    """Addresses end up in histories and logs: numbers and ids only."""
    browser, seen, found = pages.signed_in(role, MIRA), set(), {"/"}
    while left := found - seen:
        path = left.pop()
        seen.add(path)
        answer = await browser.get(path, follow_redirects=True)
        if "text/html" in answer.headers["content-type"]:
            named = set(re.findall(r'(?:href|action|src)="([^"#]*)"', answer.text))
            assert not any(MIRA in one or BEN in one or "mmHg" in one or "/13" in one for one in named), path
            found |= {one for one in named if one.startswith("/") and "/static/" not in one and "/out" not in one}
    assert len(seen) > 5


async def test_an_unknown_page_is_told_as_one(pages: Pages) -> None:
    answer = await pages.signed_in(P, MIRA).get("/nothing")
    assert answer.status_code == 404
    assert "There is no such page here" in answer.text


async def test_a_form_that_is_too_long_is_refused(pages: Pages) -> None:
    answer = await pages.browser().post("/in/x", content=b"a" * 30_000)
    assert answer.status_code == 413

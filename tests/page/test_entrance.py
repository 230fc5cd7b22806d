"""Who gets in: links good once, devices, and the ways in that must stay shut."""

import asyncio
from datetime import UTC, datetime, timedelta

import pytest
from station_page import BASE, BEN, MIRA, Pages, once_of

from collector.intake.erasure import erase_person
from collector.store import Store, StoreError, audit, people
from collector.store.people import page_devices, unions
from collector.store.people.page_devices import INVITE_LIFE, Role
from collector.store.upkeep import checkpoint

NOW = datetime.now(UTC)


def link(pages: Pages, role: Role = Role.PERSON, person: str | None = MIRA) -> str:
    return f"/in/{page_devices.invite(pages.store, person, role, datetime.now(UTC))}"


async def test_a_link_lets_one_device_in_for_a_year(pages: Pages) -> None:
    browser = pages.browser()
    path = link(pages)
    assert (await browser.get(path)).status_code == 200
    answer = await browser.post(path, data={"name": "Mira's phone"})
    assert answer.status_code == 303
    cookie = answer.headers["set-cookie"].lower()
    assert "httponly" in cookie
    assert "samesite=strict" in cookie
    assert "max-age=31536000" in cookie
    first = await browser.get("/")
    assert first.headers["location"] == f"/p/{pages.row(MIRA)}/today"
    assert "131/80" not in first.text
    assert (await browser.get(first.headers["location"])).status_code == 200


async def test_a_preview_uses_nothing_up_and_a_second_post_gets_nothing(pages: Pages) -> None:
    path = link(pages)
    for _ in range(3):
        await pages.browser().get(path)
    assert (await pages.browser().post(path)).status_code == 303
    second = await pages.browser().post(path)
    assert second.status_code == 410
    assert "set-cookie" not in second.headers


async def test_of_many_at_once_one_gets_in(pages: Pages) -> None:
    path = link(pages)
    answers = await asyncio.gather(*(pages.browser().post(path) for _ in range(16)))
    assert sorted(answer.status_code for answer in answers) == [303] + [410] * 15


def test_a_link_ends_after_a_quarter_of_an_hour(pages: Pages) -> None:
    token = page_devices.invite(pages.store, MIRA, Role.PERSON, NOW)
    assert page_devices.admit(pages.store, token, "x", NOW + INVITE_LIFE) is None
    assert page_devices.admit(pages.store, token, "x", NOW + INVITE_LIFE - timedelta(seconds=1)) is not None


def test_no_token_is_in_the_file(pages: Pages) -> None:
    store = pages.store
    token = page_devices.invite(store, MIRA, Role.PERSON, NOW)
    own = page_devices.admit(store, token, "x", NOW)
    assert own is not None
    checkpoint(store)
    octets = b"".join(file.read_bytes() for file in store.path.parent.iterdir() if file.is_file())
    assert token.encode() not in octets
    assert own.encode() not in octets


async def test_wrong_links_are_stopped_after_twenty(pages: Pages) -> None:
    answers = [(await pages.browser().post("/in/wrong")).status_code for _ in range(25)]
    assert answers == [410] * 20 + [429] * 5
    assert (await pages.browser().post(link(pages))).status_code == 429


async def test_a_device_ends_after_a_year(pages: Pages) -> None:
    long_ago = NOW - page_devices.DEVICE_LIFE
    token = page_devices.admit(
        pages.store, page_devices.invite(pages.store, MIRA, Role.PERSON, long_ago), "old", long_ago
    )
    browser = pages.browser()
    browser.cookies.set("quietcuff", token or "")
    assert (await browser.get("/")).status_code == 401


@pytest.mark.parametrize(
    "headers",
    [
        {"origin": "http://evil.example", "sec-fetch-site": "cross-site"},
        {"origin": "http://127.0.0.1:99", "sec-fetch-site": "same-site"},  # another port is the same site
        {"origin": "null", "sec-fetch-site": "same-origin"},
        {"origin": BASE, "sec-fetch-site": "none"},
        {"origin": "https://127.0.0.1", "sec-fetch-site": "same-origin"},
        {"origin": ""},
    ],
)
async def test_a_form_from_elsewhere_does_nothing(pages: Pages, headers: dict[str, str]) -> None:
    keeper = pages.signed_in(Role.KEEPER, MIRA)
    del keeper.headers["origin"], keeper.headers["sec-fetch-site"]
    headers = {name: value for name, value in headers.items() if value}
    answer = await keeper.post("/out", headers=headers)
    assert answer.status_code == 403
    assert (await keeper.get("/people")).status_code == 200


@pytest.mark.parametrize("host", ["evil.example", "127.0.0.1.evil.example", "192.0.2.7", ""])
async def test_another_name_for_this_address_gets_nothing(pages: Pages, host: str) -> None:
    answer = await pages.signed_in(Role.PERSON, MIRA).get("/", headers={"host": host})
    assert answer.status_code == 421
    assert "content-security-policy" in answer.headers


async def test_a_removed_device_is_out_and_the_audit_has_its_name(pages: Pages) -> None:
    keeper, phone = (
        pages.signed_in(Role.KEEPER, MIRA, "kitchen tablet"),
        pages.signed_in(Role.PERSON, BEN, "ben's phone"),
    )
    number = next(one.number for one in page_devices.every(pages.store) if one.name == "ben's phone")
    form = {"once": once_of((await keeper.get("/devices")).text)}
    assert (await keeper.post(f"/devices/{number}/revoke", data=form)).status_code == 303
    assert (await phone.get("/")).status_code == 401
    told = [(change.what, change.detail["device"]) for change in audit.changes(pages.store, 1)]
    assert told == [("page device removed", "ben's phone")]


async def test_signing_out_ends_the_device_and_clears_the_browser(pages: Pages) -> None:
    browser = pages.signed_in(Role.PERSON, MIRA)
    answer = await browser.post("/out")
    assert answer.headers["clear-site-data"] == '"cache", "storage"'
    assert not page_devices.every(pages.store)


def test_whoever_is_erased_has_no_device_left(pages: Pages) -> None:
    store = pages.store
    pages.signed_in(Role.PERSON, BEN)
    erase_person(store, BEN)
    assert not page_devices.every(store)


def test_whoever_is_united_keeps_the_devices(pages: Pages) -> None:
    pages.signed_in(Role.PERSON, BEN)
    unions.unite(pages.store, MIRA, BEN, NOW)
    assert [one.row for one in page_devices.every(pages.store)] == [pages.row(MIRA)]


def test_an_invitation_needs_somebody_that_is_there(pages: Pages) -> None:
    with pytest.raises(StoreError, match="say whose"):
        page_devices.invite(pages.store, None, Role.VIEWER, NOW)
    with pytest.raises(StoreError, match="nobody-here"):
        page_devices.invite(pages.store, "nobody-here", Role.PERSON, NOW)


def test_a_visit_is_noted_once_an_hour(pages: Pages) -> None:
    def seen() -> datetime:
        return page_devices.every(store)[0].seen_at

    store: Store = pages.store
    token = page_devices.admit(store, page_devices.invite(store, MIRA, Role.PERSON, NOW), "x", NOW)
    for minutes, expected in ((59, 0), (61, 61)):
        at = NOW + timedelta(minutes=minutes)
        device = page_devices.device_of(store, token or "", at)
        assert device is not None
        page_devices.note_visit(store, device, at)
        assert seen() == NOW + timedelta(minutes=expected)


def test_a_person_is_found_by_row(pages: Pages) -> None:
    found = people.by_row(pages.store, pages.row(BEN))
    assert found is not None
    assert found.name == BEN
    assert people.by_row(pages.store, 99) is None

"""A clock that cannot be believed, a store that somebody else holds, and who is written down for every change."""

import sqlite3
from datetime import UTC, datetime, timedelta

import pytest
from station_page import BEN, KITCHEN, MIRA, Pages, once_of

from collector.intake.erasure import erase_person
from collector.service import machine_clock
from collector.store import Selection, audit, people, readings
from collector.store.journal import cuffs
from collector.store.journal.payloads import newest_arrival
from collector.store.people import loans, notes
from collector.store.people.loan_states import State
from collector.store.people.page_devices import Role

LOAN_CUFF = "C0:FF:EE:00:00:0A"


def stocked(pages: Pages) -> None:
    now = datetime.now(UTC)
    cuffs.remember(pages.store, LOAN_CUFF, now)
    loans.set_state(pages.store, LOAN_CUFF, State.AVAILABLE, now - timedelta(days=9))


async def test_what_is_dated_for_good_waits_for_a_clock_that_can_be_believed(
    pages: Pages, monkeypatch: pytest.MonkeyPatch
) -> None:
    stocked(pages)
    keeper, row = pages.signed_in(Role.KEEPER, MIRA), pages.row(MIRA)
    monkeypatch.setattr(machine_clock, "believable", lambda: False)
    for path, data in (
        ("/desk/lend", {"cuff": LOAN_CUFF, "code": "B-117"}),
        ("/desk/back", {f"back:{KITCHEN}": "on"}),
        (f"/p/{row}/dose", {}),
    ):
        answer = await keeper.post(path, data=data)
        assert answer.status_code == 422, path
        assert "nothing has set it since the start" in answer.text, path
    assert loans.state_of(pages.store, LOAN_CUFF) is State.AVAILABLE
    assert loans.state_of(pages.store, KITCHEN) is None
    assert not notes.every(pages.store, MIRA)
    assert "nothing has set it since the start" in (await keeper.get(f"/p/{row}/measure")).text
    assert (await keeper.get("/desk")).status_code == 200


async def test_a_correction_bears_no_clock_out_that_is_years_ahead(
    pages: Pages, monkeypatch: pytest.MonkeyPatch
) -> None:
    mira, row = pages.signed_in(Role.PERSON, MIRA), pages.row(MIRA)
    came = newest_arrival(pages.store)
    assert came
    monkeypatch.setattr(machine_clock, "synchronised", lambda: False)
    monkeypatch.setattr(machine_clock, "now", lambda: came + timedelta(days=3652))
    reading = next(readings.select(pages.store, Selection(person=MIRA))).reading_id
    answer = await mira.post(f"/p/{row}/readings/{reading}/correct", data={"pressures": "128/81"})
    assert answer.status_code == 303
    assert newest_arrival(pages.store) == came


async def test_a_store_that_another_program_holds_is_told_and_read_on(pages: Pages) -> None:
    mira, row = pages.signed_in(Role.PERSON, MIRA), pages.row(MIRA)
    reading = next(readings.select(pages.store, Selection(person=MIRA))).reading_id
    page = (await mira.get(f"/p/{row}/readings")).text
    pages.store.query("PRAGMA busy_timeout=10")
    other = sqlite3.connect(pages.store.path, isolation_level=None)
    other.execute("BEGIN IMMEDIATE")
    form = {"once": once_of(page)}
    for path in (f"/p/{row}/readings/{reading}/strike", f"/p/{row}/dose", f"/p/{row}/measure"):
        answer = await mira.post(path, data=form)
        assert answer.status_code == 503, path
        assert "another program holds the store" in answer.text
        assert "Nothing was changed" in answer.text
    assert (await mira.get(f"/p/{row}/today")).status_code == 200
    other.execute("ROLLBACK")
    other.close()
    assert (await mira.post(f"/p/{row}/readings/{reading}/strike", data=form)).status_code == 303


async def test_every_change_names_the_device_it_was_made_on(pages: Pages) -> None:
    """One change by each kind of form; what is written down last says by whom."""
    stocked(pages)
    store, row = pages.store, pages.row(MIRA)
    keeper = pages.signed_in(Role.KEEPER, MIRA, "kitchen tablet")
    (nobodys,) = (one.reading_id for one in readings.select(store, Selection(unassigned=True)))
    own, other = (one.reading_id for one in list(readings.select(store, Selection(person=MIRA)))[:2])
    forms: list[tuple[str, dict[str, str]]] = [
        (f"/p/{row}/readings/{own}/strike", {}),
        (f"/p/{row}/readings/{own}/count-again", {}),
        (f"/p/{row}/readings/{own}/standing", {}),
        (f"/p/{row}/readings/{other}/not-theirs", {}),
        (f"/p/{row}/readings/{other}/theirs", {}),
        (f"/p/{row}/readings/{other}/correct", {"pressures": "128/81"}),
        (f"/nobody/{nobodys}/give", {"to": str(row), "was": ""}),
        (f"/nobody/{nobodys}/take-back", {}),
        (f"/p/{row}/notes", {"day": "2031-03-04", "text": "new tablet", "kind": "regimen"}),
        (f"/p/{row}/dose", {}),
        (f"/p/{row}/office", {"values": "144/91", "day": "2026-03-04"}),
        (f"/p/{row}/measure", {}),
        ("/cuffs/let-in", {}),
        (f"/cuffs/{KITCHEN}/name", {"name": "hall"}),
        (f"/cuffs/{KITCHEN}/as-new", {}),
        ("/desk/lend", {"cuff": LOAN_CUFF, "code": "B-117"}),
        ("/desk/back", {f"back:{LOAN_CUFF}": "1"}),  # the first loan of this store
        ("/desk/mark", {"cuff": LOAN_CUFF, "state": "quarantine", "reason": "display cracked"}),
        (f"/cuffs/{KITCHEN}/forget", {}),
    ]
    for path, data in forms:
        before = len(list(audit.changes(store)))
        answer = await keeper.post(path, data=data)
        assert answer.status_code == 303, (path, answer.text)
        written = list(audit.changes(store))[: len(list(audit.changes(store))) - before]
        assert written, path
        assert {change.detail.get("by") for change in written} == {"kitchen tablet"}, path
    assert audit.acting.get() == "", "what is written elsewhere names no device"


async def test_a_device_named_after_somebody_erased_leaves_the_history_of_others(pages: Pages) -> None:
    keeper = pages.signed_in(Role.KEEPER, MIRA, "Mira's phone")
    people.add(pages.store, "other", datetime.now(UTC))
    await keeper.post(f"/p/{pages.row(BEN)}/notes", data={"day": "2031-03-04", "text": "x", "kind": "other"})
    assert "Mira's phone" in str([change.detail for change in audit.changes(pages.store)])
    erase_person(pages.store, MIRA)
    assert "Mira" not in str([change.detail for change in audit.changes(pages.store)])

"""Cuffs, Station and the loan desk."""

import re
from datetime import UTC, datetime, timedelta

import pytest
from station_page import BEN, KITCHEN, MIRA, Pages, once_of, send

from collector.service.listener_lock import only_listener
from collector.store.journal import cuffs
from collector.store.people import lending_stock, loans
from collector.store.people.loan_states import CHECKS, State, Step
from collector.store.people.page_devices import Role


async def test_a_cuff_is_shown_named_and_forgotten(pages: Pages) -> None:
    keeper = pages.signed_in(Role.KEEPER, MIRA)
    page = (await keeper.get("/cuffs")).text
    assert "kitchen" in page
    assert "user 1: <bdi>mira</bdi>; user 2: <bdi>ben</bdi>" in page
    form = {"once": once_of(page), "name": "hall"}
    assert (await keeper.post(f"/cuffs/{KITCHEN}/name", data=form)).status_code == 303
    assert cuffs.given_name(pages.store, KITCHEN) == "hall"
    wrong = await keeper.post(f"/cuffs/{KITCHEN}/name", data={"name": "C0:FF:EE:00:00:09"})
    assert wrong.status_code == 422
    assert "looks like an address" in wrong.text
    await keeper.post(f"/cuffs/{KITCHEN}/forget", data={})
    assert not cuffs.every(pages.store)


async def test_a_new_cuff_is_let_in_for_ten_minutes(pages: Pages) -> None:
    keeper = pages.signed_in(Role.KEEPER, MIRA)
    answer = await keeper.post("/cuffs/let-in", data={"once": once_of((await keeper.get("/cuffs")).text)})
    assert "New cuffs are taken in until" in (await keeper.get(answer.headers["location"])).text
    until = cuffs.window(pages.store, datetime.now(UTC))
    assert until is not None
    assert timedelta(minutes=9) < until - datetime.now(UTC) <= timedelta(minutes=10)


async def test_the_station_tells_what_check_finds(pages: Pages) -> None:
    page = (await pages.signed_in(Role.KEEPER, MIRA).get("/station")).text
    assert "What wants attention" in page
    assert "nothing collects readings into" in page
    assert "quietcuff" in page


async def test_a_loan_from_lending_to_available(pages: Pages) -> None:
    """Every step of `loan back`, by the nurse, with a station that is asked anew each time."""
    store, desk = pages.store, pages.signed_in(Role.DESK)
    loan_cuff = "C0:FF:EE:00:00:0A"
    now = datetime.now(UTC)
    cuffs.remember(store, loan_cuff, now)
    cuffs.name(store, loan_cuff, "clinic-1", now)
    loans.set_state(store, loan_cuff, State.AVAILABLE, now - timedelta(days=9))
    with only_listener(store.path):
        page = (await desk.get("/desk")).text
        assert MIRA not in page
        assert BEN not in page
        form = {"once": once_of(page), "cuff": loan_cuff, "code": "B-117"}
        assert (await desk.post("/desk/lend", data=form)).status_code == 303
        assert "B-117" in (await desk.get("/desk")).text
        assert (await desk.post("/desk/back", data={})).status_code == 422
        shown = re.search(f'name="back:{loan_cuff}" value="([^"]+)"', (await desk.get("/desk")).text)
        assert shown
        await desk.post("/desk/back", data={f"back:{loan_cuff}": shown[1]})
        assert "Switch it on" in (await desk.get("/desk")).text
        send(store, datetime.now(UTC), 133, 84, cuff=loan_cuff)
        (loan,) = [one.loan for one in lending_stock.stock(store) if one.loan]
        for check in CHECKS:
            page = (await desk.get("/desk")).text
            assert check.question in page
            stale = {"question": "another question", "answer": "yes"}
            await desk.post(f"/desk/{loan.row}/check", data=stale)
            question = f"clinic-1: {check.question}"
            await desk.post(f"/desk/{loan.row}/check", data={"question": question, "answer": "yes"})
    assert loans.state_of(store, loan_cuff) is State.AVAILABLE
    folder = next((store.path.parent / "returns").iterdir())
    assert {"readings.csv", "readings.ndjson"} <= {file.name for file in folder.iterdir()}
    summary = (await desk.get(f"/desk/{loan.row}/summary")).text
    assert "B-117" in summary
    assert MIRA not in summary


@pytest.mark.parametrize("lent_on", [True, False])
async def test_a_late_answer_to_a_return_that_another_desk_finished_ends_no_later_loan(
    pages: Pages, lent_on: bool
) -> None:
    """Seen: a page that still asked the last question took the cuff away from whom it was lent to since."""
    store, desk, now, cuff = pages.store, pages.signed_in(Role.DESK), datetime.now(UTC), "C0:FF:EE:00:00:0A"
    cuffs.remember(store, cuff, now)
    loans.set_state(store, cuff, State.AVAILABLE, now - timedelta(days=9))
    loan = loans.lend(store, cuff, "B-117", ("any",), now - timedelta(days=8))
    loans.make_available(store, loans.begin_return(store, cuff, now - timedelta(hours=1)), now - timedelta(hours=1))
    lent = loans.lend(store, cuff, "B-118", ("any",), now) if lent_on else None
    form = {"question": f"{cuff}: {CHECKS[-1].question}", "answer": "yes"}
    assert (await desk.post(f"/desk/{loan.row}/check", data=form)).status_code == 303
    assert loans.current(store, cuff) == lent


async def test_an_old_page_ends_no_loan_that_it_did_not_show(pages: Pages) -> None:
    """Neither one that began since, nor that of a cuff which was in nobody's hands."""
    store, desk, now, cuff = pages.store, pages.signed_in(Role.DESK), datetime.now(UTC), "C0:FF:EE:00:00:0A"
    cuffs.remember(store, cuff, now)
    loans.set_state(store, cuff, State.AVAILABLE, now - timedelta(days=9))
    first = loans.lend(store, cuff, "B-117", ("any",), now - timedelta(days=8))
    loans.make_available(store, loans.begin_return(store, cuff, now - timedelta(hours=1)), now - timedelta(hours=1))
    lent = loans.lend(store, cuff, "B-118", ("any",), now)
    for shown in (str(first.row), ""):
        answer = await desk.post("/desk/back", data={f"back:{cuff}": shown})
        assert (answer.status_code, "was lent since this page was drawn" in answer.text) == (422, True)
        assert loans.current(store, cuff) == lent
    assert (await desk.post("/desk/back", data={f"back:{cuff}": str(lent.row)})).status_code == 303
    assert loans.get(store, lent.row).step is not Step.OUT


@pytest.mark.parametrize("state", ["lost", "retired"])
async def test_one_marked_while_it_is_out_is_taken_back_as_well(pages: Pages, state: str) -> None:
    store, desk, now, lost = pages.store, pages.signed_in(Role.DESK), datetime.now(UTC), "C0:FF:EE:00:00:0A"
    cuffs.remember(store, lost, now)
    loans.set_state(store, lost, State.AVAILABLE, now - timedelta(days=9))
    loans.lend(store, lost, "B-117", ("any",), now)
    form = {"cuff": lost, "state": state, "reason": "not answered our letter"}
    assert (await desk.post("/desk/mark", data=form)).status_code == 303
    page = (await desk.get("/desk")).text
    assert "not answered our letter" in page
    assert f'name="back:{lost}"' in page
    assert (await desk.post("/desk/mark", data={"cuff": lost, "state": "available"})).status_code == 404
    assert (await desk.post("/desk/mark", data={"cuff": KITCHEN, "state": "lost"})).status_code == 422


async def test_a_loan_of_a_time_that_has_not_come_is_told_beside_its_cuff(pages: Pages) -> None:
    """Lent, and its return begun, while this machine's clock ran ahead: the desk goes on with the others."""
    store, desk, now, cuff = pages.store, pages.signed_in(Role.DESK), datetime.now(UTC), "C0:FF:EE:00:00:0A"
    cuffs.remember(store, cuff, now)
    loans.set_state(store, cuff, State.AVAILABLE, now - timedelta(days=9))
    loans.lend(store, cuff, "B-117", ("any",), now + timedelta(days=150))
    loans.begin_return(store, cuff, now + timedelta(days=151))
    page = await desk.get("/desk")
    assert (page.status_code, "which has not come" in page.text) == (200, True)


async def test_several_are_taken_back_or_none(pages: Pages) -> None:
    store, desk, now, free = pages.store, pages.signed_in(Role.DESK), datetime.now(UTC), "C0:FF:EE:00:00:0A"
    cuffs.remember(store, free, now)
    loans.set_state(store, free, State.AVAILABLE, now)
    answer = await desk.post("/desk/back", data={f"back:{KITCHEN}": "on", f"back:{free}": "on"})
    assert answer.status_code == 422
    assert "there is nothing to take back" in answer.text
    assert loans.state_of(store, KITCHEN) is None


async def test_what_is_not_so_keeps_the_cuff_from_being_lent(pages: Pages) -> None:
    store, desk = pages.store, pages.signed_in(Role.DESK)
    await desk.post("/desk/back", data={f"back:{KITCHEN}": "on"})
    (loan,) = [one.loan for one in lending_stock.stock(store) if one.loan]
    send(store, datetime.now(UTC), 133, 84)
    await desk.get("/desk")
    await desk.post(f"/desk/{loan.row}/check", data={"question": f"kitchen: {CHECKS[0].question}", "answer": "no"})
    assert loans.state_of(store, KITCHEN) is State.QUARANTINE


@pytest.mark.parametrize("path", ["/desk/99/summary", "/desk/99/check", "/cuffs/none/name"])
async def test_what_is_not_there(pages: Pages, path: str) -> None:
    keeper = pages.signed_in(Role.KEEPER, MIRA)
    answer = await (keeper.get(path) if path.endswith("summary") else keeper.post(path, data={}))
    assert answer.status_code == 404

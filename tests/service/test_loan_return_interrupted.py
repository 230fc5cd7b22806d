"""Taking cuffs back, interrupted at every step, and over the air; with invented borrowers."""

from collections.abc import Callable, Iterator
from contextlib import suppress
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import pytest
from air import room
from clinicdesk import CUFF, Clinic, lent, stocked

from collector.radio.virtual import Behaviour, Drop, VirtualCuff
from collector.store import people, readings
from collector.store.database import Store
from collector.store.errors import StoreError
from collector.store.journal import cuffs, visits
from collector.store.opening import open_store
from collector.store.people import loans
from collector.store.people.loan_states import CHECKS, State, Step
from collector.store.people.loans import Loan
from collector.store.values import Selection


@pytest.fixture
def clinic(tmp_path: Path) -> Iterator[Clinic]:
    with stocked(tmp_path) as place:
        yield place


class Crash(Exception):
    """The process dies here."""


@pytest.mark.parametrize("kind", [Crash, KeyboardInterrupt])
def test_interrupted_at_every_single_step_it_takes_up_where_it_was(
    clinic: Clinic, kind: type[BaseException], monkeypatch: pytest.MonkeyPatch
) -> None:
    """Dying before each transaction, each key and each file in turn: the command again finishes the job, with the
    borrower's five readings saved, and no question asked twice that was answered and written down."""
    real = {"transaction": Store.transaction, "wait": clinic.wait, "save": clinic.save}
    left = 0

    def dying(what: str) -> Callable[..., object]:
        def act(*args: object) -> object:
            nonlocal left
            if what != "transaction" or not args[0].connection.in_transaction:  # type: ignore[attr-defined]
                left -= 1
                if left == 0:
                    raise kind
            return real[what](*args)  # type: ignore[operator]

        return act

    steps = survived = 0
    while not survived:
        steps += 1
        clinic.at += timedelta(days=30)
        begun = clinic.at
        lent(clinic, f"B-{steps}")
        clinic.at += timedelta(days=8)
        taken = tuple(begun + timedelta(days=day, hours=12) for day in range(1, 6))
        clinic.visit(taken=taken)
        clinic.at += timedelta(minutes=2)
        clinic.asked.clear()
        left = steps
        monkeypatch.setattr(Store, "transaction", dying("transaction"))
        monkeypatch.setattr(clinic, "wait", dying("wait"))
        monkeypatch.setattr(clinic, "save", dying("save"))
        with suppress(Crash, KeyboardInterrupt):
            survived = clinic.take_back(keys="yyyyy")
        monkeypatch.setattr(Store, "transaction", real["transaction"])
        monkeypatch.setattr(clinic, "wait", real["wait"])
        monkeypatch.setattr(clinic, "save", real["save"])
        if not survived:
            with pytest.raises(StoreError, match="cannot be lent"):
                loans.lend(clinic.store, CUFF, "B-other", ("any",), clinic.at)
            loan = loans.current(clinic.store, CUFF)
            answered = sum(check.key in loan.checks for check in CHECKS) if loan else 0
            clinic.asked.clear()
            clinic.at += timedelta(minutes=5)
            assert clinic.take_back(keys="y" * (len(CHECKS) - answered)), steps
            assert len(clinic.asked) == len(CHECKS) - answered
        assert clinic.state() is State.AVAILABLE
        (folder,) = clinic.folder.glob(f"B-{steps}-*")
        assert len((folder / "readings.ndjson").read_text("utf-8").splitlines()) == 5
    assert steps > 12  # two transactions at the beginning, one a step, one a check, each key


def test_nothing_comes_between_the_last_look_and_the_freeing(clinic: Clinic, monkeypatch: pytest.MonkeyPatch) -> None:
    """A record that did would be in no paper, and the cuff free."""
    lent(clinic)
    clinic.at += timedelta(days=8)
    clinic.visit(taken=(clinic.at - timedelta(days=1),))
    clinic.at += timedelta(minutes=2)
    real, between = loans.make_available, []

    def meanwhile(*of: Any) -> None:
        with open_store(clinic.store.path) as listener:
            listener.wait_at_most(0)
            with pytest.raises(StoreError, match="another program holds the store"):
                visits.open_visit(listener, CUFF, "virtual", clinic.at)
        between.append(real(*of))

    monkeypatch.setattr(loans, "make_available", meanwhile)
    assert clinic.take_back(keys="yyyyy")
    assert len(between) == 1


@pytest.mark.parametrize("answered", [0, 4])
def test_whoever_comes_late_with_a_return_that_another_desk_finished_frees_no_lent_cuff(
    clinic: Clinic, answered: int
) -> None:
    """Seen: the last answer, at a desk that had waited, had a cuff 'available' that was lent again meanwhile."""
    lent(clinic)
    clinic.at += timedelta(days=8)

    def at_the_other_desk() -> None:
        if not answered:
            clinic.visit()
        keys, clinic.keys = clinic.keys, []
        assert clinic.take_back(keys="y" * (5 - answered))
        clinic.keys = keys
        lent(clinic, "B-118")

    if answered:
        clinic.visit()
    clinic.take_back(keys=[*"y" * answered, at_the_other_desk, "y"])
    assert clinic.state() is State.ON_LOAN


@pytest.mark.parametrize("answered", [0, 4])
@pytest.mark.parametrize("state", [State.QUARANTINE, State.RETIRED])
def test_a_cuff_that_is_marked_during_the_questions_is_asked_about_anew(
    clinic: Clinic, answered: int, state: State
) -> None:
    """Seen: whoever answered the last question had it 'available', over what the other desk had found."""
    lent(clinic)
    clinic.at += timedelta(days=8)
    clinic.visit()

    def at_the_other_desk() -> None:
        loans.mark(clinic.store, CUFF, state, clinic.at, "display\ncracked ")

    assert not clinic.take_back(keys=[*"y" * answered, at_the_other_desk, *"yyyyy"])
    assert clinic.state() is state
    assert f"{CUFF} was marked '{state}: display cracked' meanwhile: look at it again." in clinic.said
    assert clinic.asked[-1].startswith(f"{CUFF} ({state}: display cracked): Is its accuracy check")
    assert clinic.take_back(keys="y")


def test_a_cuff_that_is_marked_while_its_papers_are_written_is_asked_about_anew(
    clinic: Clinic, monkeypatch: pytest.MonkeyPatch
) -> None:
    lent(clinic)
    clinic.at += timedelta(days=8)
    clinic.visit()
    real = clinic.save

    def slowly(loan: Loan) -> list[str]:
        if "whole" in loan.checks:
            loans.mark(clinic.store, CUFF, State.QUARANTINE, clinic.at, "display cracked")
        return real(loan)

    monkeypatch.setattr(clinic, "save", slowly)
    taken = clinic.at - timedelta(days=1)
    assert not clinic.take_back(keys=[*"yyyy", lambda: clinic.visit(taken=(taken,)), "y", "n"])
    assert clinic.asked[-1].startswith(f"{CUFF} (quarantine: display cracked): Are cuff, bladder")


def test_a_borrower_who_is_renamed_while_other_cuffs_are_waited_for_has_papers(clinic: Clinic) -> None:
    """Seen: they were empty, and the readings 'of somebody else'."""
    other = "F0:F1:F2:F3:F4:F6"
    lent(clinic)
    clinic.at += timedelta(days=8)

    def somebody_renames() -> None:
        people.rename(clinic.store, "B-117", "N-1", clinic.at)
        clinic.visit(other)

    taken = clinic.at - timedelta(days=1)
    with clinic.store.transaction():
        cuffs.row_of(clinic.store, other)
    assert clinic.take_back(CUFF, other, keys=[lambda: clinic.visit(taken=(taken,)), somebody_renames, *"y" * 10])
    (folder,) = clinic.folder.glob("N-1-*")
    assert len((folder / "readings.ndjson").read_text("utf-8").splitlines()) == 1


def test_what_another_desk_wants_looked_at_again_is_asked_before_the_cuff_is_free(clinic: Clinic) -> None:
    lent(clinic)
    clinic.at += timedelta(days=8)
    clinic.visit()

    def the_other_desk_saw_more_come() -> None:
        loan = loans.current(clinic.store, CUFF)
        assert loan
        loans.forget_check(clinic.store, loan, "empty", clinic.at)

    clinic.asked.clear()
    assert clinic.take_back(keys=[*"yyyy", the_other_desk_saw_more_come, *"yyy"])
    assert sum("memory read empty" in text for text in clinic.asked) == 2


def test_of_all_none_is_ended_that_another_desk_took_back_and_lent_again_meanwhile(clinic: Clinic) -> None:
    """Seen: whoever it was lent to tried it at the desk, and the desk that waited ended that loan at once."""
    lent(clinic)
    clinic.at += timedelta(days=8)

    def at_the_other_desk() -> None:
        clinic.visit()
        keys, clinic.keys = clinic.keys, []
        assert clinic.take_back(keys="yyyyy")
        clinic.keys = keys
        lent(clinic, "B-118")
        clinic.at += timedelta(minutes=1)
        clinic.visit()

    clinic.take_back(keys=[at_the_other_desk, "\n"], as_they_come=True)
    assert clinic.state() is State.ON_LOAN
    assert f"{CUFF} was looked after at another desk meanwhile." in clinic.said


def test_what_came_once_the_cuff_was_free_is_saved_with_what_was_the_borrowers(clinic: Clinic) -> None:
    lent(clinic)
    clinic.at += timedelta(days=8)
    taken = clinic.at - timedelta(days=1)
    clinic.visit(taken=(taken,))
    clinic.at += timedelta(minutes=2)
    assert clinic.take_back(keys="yyyyy")
    clinic.at += timedelta(minutes=1)
    clinic.visit(taken=(taken + timedelta(hours=3),))
    clinic.at += timedelta(minutes=1)
    assert clinic.take_back(keys="yyyyy")
    assert any("there is more of an earlier loan. What is of B-117 is saved once more" in line for line in clinic.said)
    (folder,) = clinic.folder.glob("B-117-*")
    assert len((folder / "readings.ndjson").read_text("utf-8").splitlines()) == 2


def test_a_cuff_that_was_switched_on_often_since_it_was_free_has_sent_no_more(clinic: Clinic) -> None:
    """Seen: of the twenty latest visits none was of the return any more; what came then counted as changed."""
    lent(clinic)
    clinic.at += timedelta(days=8)
    clinic.visit(taken=(clinic.at - timedelta(days=1),))
    clinic.at += timedelta(minutes=2)
    assert clinic.take_back(keys="yyyyy")
    for _ in range(20):
        clinic.visit()
    loans.mark(clinic.store, CUFF, State.CHECK_DUE, clinic.at)
    clinic.at += timedelta(minutes=1)
    clinic.visit()
    assert clinic.take_back(keys="yyyyy")
    assert not any("sent more" in line for line in clinic.said)


async def test_ten_cuffs_switched_on_at_once_are_all_received_over_the_air(clinic: Clinic) -> None:
    """A real exchange with each; one walks off in the middle and comes again. Each borrower has what his cuff held."""
    now = datetime.now(UTC)
    table = [VirtualCuff(address=f"F0:F1:F2:F3:F5:{n:02X}", behaviour=Behaviour(lingers_s=0.05)) for n in range(10)]
    table[3].behaviour = replace(table[3].behaviour, drop=Drop("indicate", nth=2))
    clinic.at = now - timedelta(days=10)
    for n, cuff in enumerate(table):
        clinic.visit(cuff.address)
        loan = loans.begin_return(clinic.store, cuff.address, clinic.at)
        for check in CHECKS:
            loan = loans.note_check(clinic.store, loan, check.key, clinic.at)
        loans.make_available(clinic.store, loan, clinic.at)
        loans.lend(clinic.store, cuff.address, f"B-{n}", ("any",), now - timedelta(days=9))
        for day in range(1, 6):
            cuff.measure(110 + n, 70 + day, at=(now - timedelta(days=day)).astimezone().replace(tzinfo=None))
    clinic.at = now - timedelta(seconds=30)
    for cuff in table:
        loans.begin_return(clinic.store, cuff.address, clinic.at)
    async with room(*table, sink=clinic.sink) as air:
        await air.wake(*table)
        clinic.at = datetime.now(UTC)
        assert not clinic.take_back(*(cuff.address for cuff in table), keys=["", "q"])
        waiting = [cuff.address for cuff in table if loans.current(clinic.store, cuff.address).step is Step.WAITING]
        assert waiting == [table[3].address]
        await air.wake(table[3])
    clinic.at = datetime.now(UTC)
    clinic.keys.clear()
    assert clinic.take_back(*(cuff.address for cuff in table), keys="y" * 50)
    for n in range(10):
        mine = list(readings.select(clinic.store, Selection(person=f"B-{n}")))
        assert [(int(one.systolic or 0), int(one.diastolic or 0)) for one in mine] == [
            (110 + n, 75 - back) for back in range(5)
        ]
    assert {clinic.state(cuff.address) for cuff in table} == {State.AVAILABLE}

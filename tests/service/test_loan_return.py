"""Lending cuffs and taking them back, with invented borrowers: nothing left in a cuff, nobody else's in a report."""

import csv
from collections.abc import Callable, Iterator
from datetime import UTC, datetime, timedelta
from io import StringIO, TextIOWrapper
from pathlib import Path
from zoneinfo import ZoneInfo

import pytest
from clinicdesk import BACK, CUFF, DAYS, LENT, Clinic, lent, stocked

from collector.service.guided import download, loan_papers
from collector.store import audit, people, readings
from collector.store.errors import StoreError
from collector.store.people import lending_stock, loans, slot_spans
from collector.store.people.loan_states import CHECKS, State, Step, why_not_lent
from collector.store.values import Selection


@pytest.fixture
def clinic(tmp_path: Path) -> Iterator[Clinic]:
    with stocked(tmp_path) as place:
        yield place


def test_a_whole_loan(clinic: Clinic) -> None:
    lent(clinic)
    assert clinic.state() is State.ON_LOAN
    clinic.at = BACK
    ahead = timedelta(minutes=4)
    assert clinic.take_back(keys=[lambda: clinic.visit(taken=DAYS, ahead=ahead), *"yyyyy"])
    assert clinic.state() is State.AVAILABLE
    told = next(change for change in audit.changes(clinic.store) if change.what == "returned")
    assert told.detail["cuff"] == CUFF
    assert {check.key for check in CHECKS} <= set(told.detail["checks"])
    with (clinic.folder / "B-117-20310311-0900-F3F4F5" / "readings.csv").open(encoding="utf-8") as file:
        rows = list(csv.DictReader(file))
    assert [row["person"] for row in rows] == ["B-117"] * 5
    assert [datetime.fromisoformat(row["taken_at"]) for row in rows] == list(DAYS)
    told = "\n".join(clinic.said)
    assert "5 records received; 5 readings of the borrower" in told
    assert "4 min fast" in told
    loan = loans.get(clinic.store, 2)
    brought = download.read_download(clinic.store, loan, "UTC")
    assert "back 2031-03-11 18:00" in loan_papers.summary(loan, "x", brought, ZoneInfo("Asia/Tokyo"))[0]


def test_the_clock_that_is_told_of_is_the_one_the_cuff_came_back_with(clinic: Clinic) -> None:
    """Not the one it shows since somebody set it, which says nothing of the stamps."""
    lent(clinic)
    clinic.at = BACK

    def come_and_be_set() -> None:
        clinic.visit(taken=DAYS, ahead=timedelta(minutes=4))
        clinic.visit()

    assert clinic.take_back(keys=[come_and_be_set, *"yyyyy"])
    assert "4 min fast" in "\n".join(clinic.said)


def test_what_is_not_the_borrowers_is_set_aside_and_in_no_report(clinic: Clinic) -> None:
    """Another slot than the one lent, and readings from before the loan that came with it."""
    lent(clinic, "B-117", 1)
    clinic.at = BACK

    def send() -> None:
        clinic.visit(taken=(LENT - timedelta(minutes=30),), slot=1)
        clinic.visit(taken=DAYS[:2], slot=1)
        clinic.visit(taken=DAYS[2:], slot=2)

    assert clinic.take_back(keys=[send, *"yyyyy"])
    folder = clinic.folder / "B-117-20310311-0900-F3F4F5"
    assert len((folder / "readings.ndjson").read_text("utf-8").splitlines()) == 2
    assert len((folder / "set-aside.ndjson").read_text("utf-8").splitlines()) == 4
    assert len(list(readings.select(clinic.store, Selection(person="B-117")))) == 2
    assert any("3 readings set aside: in slot 2, which was not lent" in line for line in clinic.said)
    assert any("1 reading set aside: taken before the loan" in line for line in clinic.said)


def test_nothing_is_asked_to_be_erased_before_it_is_saved(clinic: Clinic, monkeypatch: pytest.MonkeyPatch) -> None:
    lent(clinic)
    clinic.at = BACK
    clinic.asked.clear()
    monkeypatch.setattr(clinic, "folder", Path("/proc/nowhere"))
    with pytest.raises(loan_papers.NotSaved, match="nothing was erased"):
        clinic.take_back(keys=[lambda: clinic.visit(taken=DAYS), *"yyyyy"])
    assert not [question for question in clinic.asked if "(y/n)" in question]
    loan = loans.current(clinic.store, CUFF)
    assert loan is not None
    assert (loan.step, loan.checks) == (Step.DOWNLOADED, {})
    assert clinic.state() is State.RETURNED


@pytest.mark.parametrize("answered", range(len(CHECKS) + 1))
def test_interrupted_after_any_check_it_goes_on_from_there(clinic: Clinic, answered: int) -> None:
    lent(clinic)
    clinic.at = BACK
    first: list[str | Callable[[], None]] = [lambda: clinic.visit(taken=DAYS), *"y" * answered]
    whole = clinic.take_back(keys=first)
    assert whole is (answered == len(CHECKS))
    if not whole:
        assert clinic.state() is State.RETURNED
        with pytest.raises(StoreError, match="cannot be lent"):
            lent(clinic, "B-118")
        clinic.asked.clear()
        assert clinic.take_back(keys="y" * (len(CHECKS) - answered))
        assert len(clinic.asked) == len(CHECKS) - answered
    assert clinic.state() is State.AVAILABLE


def test_a_cuff_that_walks_off_in_the_middle_is_waited_for(clinic: Clinic) -> None:
    lent(clinic)
    clinic.at = BACK
    assert not clinic.take_back(keys=[lambda: clinic.visit(taken=DAYS[:2], outcome="link lost"), "q"])
    loan = loans.current(clinic.store, CUFF)
    assert loan is not None
    assert loan.step is Step.WAITING
    clinic.at = BACK + timedelta(hours=1)
    assert clinic.take_back(keys=[lambda: clinic.visit(taken=DAYS), *"yyyyy"])
    assert len(list(readings.select(clinic.store, Selection(person="B-117")))) == 5


def test_a_loan_that_was_ended_by_mistake_goes_on_as_a_slot_that_is_given(clinic: Clinic) -> None:
    lent(clinic)
    clinic.at = DAYS[2] + timedelta(hours=1)
    assert not clinic.take_back(keys=["q"])
    slot_spans.add(clinic.store, "B-117", CUFF, "any", clinic.at, since=clinic.at)
    clinic.at = BACK
    assert clinic.take_back(keys=[lambda: clinic.visit(taken=DAYS), *"yyyyy"])
    assert [reading.taken_at for reading in readings.select(clinic.store, Selection(person="B-117"))] == list(DAYS)
    assert any("5 readings of the borrower" in line for line in clinic.said)
    with pytest.raises(StoreError, match="end that first"):
        lent(clinic, "B-118")


@pytest.mark.parametrize(
    ("sent_before", "outcome", "clock_reset"),
    [
        ((0, 0), "link lost", timedelta(0)),
        ((2, 3), "listener stopped", timedelta(0)),
        ((0, 0), "we left", timedelta(hours=-7)),
    ],
)
def test_a_link_that_broke_before_all_came_puts_no_time_in_doubt(
    clinic: Clinic, sent_before: tuple[int, ...], outcome: str, clock_reset: timedelta
) -> None:
    """What a broken visit left in the cuff is not overdue; nor where its battery was changed before it was lent."""
    clinic.at = LENT - timedelta(minutes=20)
    clinic.visit(ahead=clock_reset)
    clinic.at = LENT
    lent(clinic)
    clinic.at = BACK
    for sent in sent_before:
        clinic.visit(taken=DAYS[:sent], outcome=outcome, ahead=clock_reset)
    assert clinic.take_back(keys=[lambda: clinic.visit(taken=DAYS, ahead=clock_reset), *"yyyyy"])
    assert [reading.taken_at for reading in readings.select(clinic.store, Selection(person="B-117"))] == list(DAYS)


def test_a_listener_that_was_stopped_in_the_middle_has_not_received_all(clinic: Clinic) -> None:
    """'We left' is the end of a visit whether the cuff had been silent for long or the machine was switched off."""
    lent(clinic)
    clinic.at = BACK
    assert not clinic.take_back(keys=[lambda: clinic.visit(taken=DAYS[:2], outcome="we left"), "", "q"])
    loan = loans.current(clinic.store, CUFF)
    assert loan is not None
    assert loan.step is Step.WAITING
    silent = timedelta(seconds=30)
    assert clinic.take_back(keys=[lambda: clinic.visit(taken=DAYS, outcome="we left", stays=silent), *"yyyyy"])
    assert len(list(readings.select(clinic.store, Selection(person="B-117")))) == 5


@pytest.mark.parametrize("check", CHECKS, ids=lambda check: check.key)
def test_a_no_takes_the_cuff_out_of_use_until_it_is_mended(clinic: Clinic, check) -> None:  # type: ignore[no-untyped-def]
    lent(clinic)
    clinic.at = BACK
    before = CHECKS.index(check)
    assert not clinic.take_back(keys=[lambda: clinic.visit(taken=DAYS), *"y" * before, "n"])
    assert clinic.state() is check.otherwise
    assert why_not_lent(clinic.state()) is not None
    assert clinic.take_back(keys="y" * (len(CHECKS) - before))
    assert clinic.state() is State.AVAILABLE


def test_ten_cuffs_on_one_table(clinic: Clinic) -> None:
    table = [f"F0:F1:F2:F3:F4:{n:02X}" for n in range(10)]
    for address in table:
        clinic.visit(address)
    assert clinic.take_back(*table, keys="y" * 50)
    for n, address in enumerate(table):
        loans.lend(clinic.store, address, f"B-{n}", ("any",), clinic.at)
    clinic.at = BACK

    def all_at_once() -> None:
        for address in reversed(table):
            clinic.visit(address, taken=DAYS)

    assert clinic.take_back(*table, keys=[all_at_once, *"y" * 50])
    assert {clinic.state(address) for address in table} == {State.AVAILABLE}
    for n in range(10):
        assert {one.cuff for one in readings.select(clinic.store, Selection(person=f"B-{n}"))} == {table[n]}


def test_those_that_do_not_come_stay_back(clinic: Clinic) -> None:
    lent(clinic)
    other = "F0:F1:F2:F3:F4:99"
    clinic.at = BACK
    clinic.visit(other)
    assert not clinic.take_back(CUFF, other, keys=["", "\n", *"yyyyy"])
    assert clinic.state(other) is State.AVAILABLE
    assert clinic.state() is State.RETURNED
    assert any("not received" in line for line in clinic.said)


def test_of_all_only_those_end_their_loan_that_come(clinic: Clinic) -> None:
    """Seen: with three of ten on the table `loan back --all` ended the loans of the seven at home, and what they
    measured from then on was nobody's."""
    home = "F0:F1:F2:F3:F4:99"
    clinic.visit(home)
    assert clinic.take_back(home, keys="yyyyy")
    lent(clinic)
    loans.lend(clinic.store, home, "B-118", ("any",), clinic.at)
    clinic.at = BACK
    keys = [lambda: clinic.visit(taken=DAYS), "\n", *"yyyyy"]
    assert not clinic.take_back(CUFF, home, keys=keys, as_they_come=True)
    assert (clinic.state(), clinic.state(home)) == (State.AVAILABLE, State.ON_LOAN)
    assert "F0:F1:F2:F3:F4:99: not here; its loan goes on." in clinic.said
    assert len(list(readings.select(clinic.store, Selection(person="B-117")))) == len(DAYS)
    clinic.at += timedelta(days=2)
    clinic.visit(home, taken=(clinic.at - timedelta(days=1),))
    assert [one.person for one in readings.select(clinic.store, Selection(cuff=home))] == ["B-118"]
    assert clinic.take_back(home, keys="yyyyy", as_they_come=True)  # it came a minute ago


def test_a_cuff_that_was_used_since_is_not_lent(clinic: Clinic) -> None:
    clinic.at = LENT + timedelta(hours=1)
    clinic.visit(taken=(LENT + timedelta(minutes=30),))
    with pytest.raises(StoreError, match="may hold somebody's readings"):
        lent(clinic)
    clinic.at += timedelta(hours=1)
    assert clinic.take_back(keys=[clinic.visit, *"yyyyy"])  # the way out that the refusal names
    lent(clinic)
    assert clinic.state() is State.ON_LOAN


def test_an_available_cuff_that_sent_nothing_is_not_taken_back(clinic: Clinic) -> None:
    clinic.at = LENT + timedelta(hours=1)
    clinic.visit()
    with pytest.raises(StoreError, match="nothing to take back"):
        clinic.take_back()


def test_what_reads_back_otherwise_than_it_was_is_not_saved(clinic: Clinic, monkeypatch: pytest.MonkeyPatch) -> None:
    lent(clinic)
    clinic.at = BACK
    clinic.visit(taken=DAYS)
    whole = loan_papers.write_csv

    def one_digit_off(some, file):  # type: ignore[no-untyped-def]
        number = whole(some, text := StringIO())
        file.write(text.getvalue().replace("122", "123", 1) if isinstance(file, TextIOWrapper) else text.getvalue())
        return number

    loan = loans.begin_return(clinic.store, CUFF, clinic.at)
    brought = download.read_download(clinic.store, loan, "UTC")
    monkeypatch.setattr(loan_papers, "write_csv", one_digit_off)
    with pytest.raises(loan_papers.NotSaved, match="does not read back"):
        loan_papers.write(clinic.folder / "x", loan, brought)


def test_a_slot_that_is_named_twice_is_lent_once(clinic: Clinic) -> None:
    assert lent(clinic, "B-117", 1, 2, 1).slots == (1, 2)


def test_a_cuff_on_loan_is_not_lent_again(clinic: Clinic) -> None:
    lent(clinic)
    with pytest.raises(StoreError, match="on loan already"):
        lent(clinic, "B-118")
    assert people.find(clinic.store, "B-118") is None


def test_the_same_borrower_twice_keeps_both_loans_apart_from_what_lay_between(clinic: Clinic) -> None:
    lent(clinic)
    clinic.at = BACK
    assert clinic.take_back(keys=[lambda: clinic.visit(taken=DAYS), *"yyyyy"])
    clinic.at = BACK + timedelta(days=7)
    lent(clinic)
    clinic.at = BACK + timedelta(days=14)
    between, during = BACK + timedelta(days=3), BACK + timedelta(days=9)
    assert clinic.take_back(keys=[lambda: clinic.visit(taken=(between, during)), *"yyyyy"])
    mine = [one.taken_at for one in readings.select(clinic.store, Selection(person="B-117"))]
    assert mine == [*DAYS, during]


@pytest.mark.parametrize("code", ["../../elsewhere", "a/b", "..", "B 117"])
def test_whatever_the_code_the_files_stay_in_their_folder(clinic: Clinic, code: str) -> None:
    lent(clinic, code)
    clinic.at = BACK
    assert clinic.take_back(keys=[lambda: clinic.visit(taken=DAYS), *"yyyyy"])
    into_stock, returned = sorted(clinic.folder.iterdir(), key=lambda folder: folder.name.startswith("nobody-"))[::-1]
    assert into_stock.name.startswith("nobody-")
    assert len((returned / "readings.csv").read_text("utf-8").splitlines()) == 1 + len(DAYS)


def test_a_visit_from_before_the_loan_is_not_of_its_return(clinic: Clinic) -> None:
    """Lent, and back within the quarter of an hour that a visit may be older than the return."""
    clinic.at = LENT
    clinic.visit()
    lent(clinic)
    clinic.at += timedelta(minutes=5)
    assert not clinic.take_back(keys="")
    assert clinic.state() is State.RETURNED


def test_what_comes_during_the_questions_is_saved_before_the_cuff_is_free(clinic: Clinic) -> None:
    lent(clinic)
    clinic.at = BACK
    late = (BACK - timedelta(hours=3),)
    keys = [lambda: clinic.visit(taken=DAYS), "y", "y", lambda: clinic.visit(taken=late), "y", "y", "y"]
    assert not clinic.take_back(keys=keys)  # the memory is asked about again
    assert clinic.take_back(keys="y")
    (folder,) = clinic.folder.glob("B-117-*")
    assert len((folder / "readings.ndjson").read_text("utf-8").splitlines()) == len(DAYS) + 1
    assert any("sent more meanwhile" in text for text in clinic.said)


def test_two_cuffs_of_one_borrower_have_a_folder_each(clinic: Clinic) -> None:
    second = "F0:F1:F2:F3:F4:F6"
    clinic.at = LENT - timedelta(minutes=30)
    clinic.visit(second)
    assert clinic.take_back(second, keys="yyyyy")
    clinic.at = LENT
    lent(clinic)
    loans.lend(clinic.store, second, "B-117", ("any",), clinic.at)
    clinic.at = BACK
    keys = [lambda: clinic.visit(taken=DAYS), lambda: clinic.visit(second, taken=DAYS[:2]), *"yyyyyyyyyy"]
    assert clinic.take_back(CUFF, second, keys=keys)
    assert len(list(clinic.folder.glob("B-117-*"))) == 2


def test_each_reading_set_aside_has_its_own_reason(clinic: Clinic) -> None:
    lent(clinic, "B-117", 1)
    clinic.at = BACK
    before = (LENT - timedelta(minutes=30),)

    def comes() -> None:
        clinic.visit(taken=DAYS)
        clinic.visit(taken=before)
        clinic.visit(taken=DAYS[:1], slot=2)

    assert clinic.take_back(keys=[comes, *"yyyyy"])
    (folder,) = clinic.folder.glob("B-117-*")
    why = (folder / "set-aside-why.txt").read_text("utf-8")
    assert "taken before the loan" in why
    assert "in slot 2, which was not lent" in why
    assert any("1 reading set aside: taken before the loan" in text for text in clinic.said)


def test_at_take_in_what_is_nobodys_is_set_aside(clinic: Clinic) -> None:
    third = "F0:F1:F2:F3:F4:F7"
    clinic.visit(third)
    clinic.at += timedelta(days=1)
    clinic.visit(third, taken=(clinic.at - timedelta(hours=1),))
    assert clinic.take_back(third, keys="yyyyy")
    (folder,) = (path for path in clinic.folder.iterdir() if path.name.endswith("F3F4F7"))
    assert len((folder / "set-aside.ndjson").read_text("utf-8").splitlines()) == 1
    assert "was not lent then" in (folder / "set-aside-why.txt").read_text("utf-8")


def test_by_a_clock_that_is_behind_nothing_is_lent(clinic: Clinic) -> None:
    clinic.at = datetime(1970, 1, 1, 0, 10, tzinfo=UTC)
    with pytest.raises(StoreError, match="set the clock right"):
        lent(clinic)
    assert clinic.state() is State.AVAILABLE


def test_a_loan_begun_by_a_clock_that_was_ahead_ends_once_somebody_says_when(clinic: Clinic) -> None:
    clinic.at = datetime(2041, 3, 3, 9, tzinfo=UTC)
    lent(clinic)
    clinic.at = BACK
    with pytest.raises(StoreError, match="--lent-at"):
        clinic.take_back()
    loans.set_lent_at(clinic.store, CUFF, LENT, clinic.at)
    assert clinic.take_back(keys=[lambda: clinic.visit(taken=DAYS), *"yyyyy"])
    assert [one.taken_at for one in readings.select(clinic.store, Selection(person="B-117"))] == list(DAYS)


@pytest.mark.parametrize("lent_by_it", [False, True])
def test_a_return_begun_by_a_clock_that_was_ahead_goes_on_by_the_right_one(clinic: Clinic, lent_by_it: bool) -> None:
    """Seen: until that day came it waited, and what anybody measured with the cuff was the borrower's."""
    ahead = timedelta(days=150)
    clinic.at = LENT + (ahead if lent_by_it else timedelta(0))
    lent(clinic)
    clinic.at = BACK + ahead
    clinic.take_back()
    clinic.at = BACK
    if lent_by_it:
        with pytest.raises(StoreError, match="which has not come"):
            clinic.take_back()
        loans.set_lent_at(clinic.store, CUFF, LENT, clinic.at)
    assert clinic.take_back(keys=[lambda: clinic.visit(taken=DAYS), *"yyyyy"])
    clinic.at += timedelta(days=1)
    clinic.visit(taken=(clinic.at,))
    assert [reading.person for reading in readings.select(clinic.store, Selection())] == ["B-117"] * 5 + [None]


def test_a_take_in_begun_by_a_clock_that_was_ahead_goes_on_by_the_right_one(clinic: Clinic) -> None:
    loans.mark(clinic.store, CUFF, State.CHECK_DUE, clinic.at)
    clinic.at += timedelta(days=150)
    clinic.take_back()
    clinic.at = LENT
    assert clinic.take_back(keys=[clinic.visit, *"yyyyy"])


def test_a_cuff_on_loan_can_be_marked_lost_and_may_turn_up(clinic: Clinic) -> None:
    lent(clinic)
    loans.set_state(clinic.store, CUFF, State.LOST, clinic.at, "the parcel never came")
    (one,) = lending_stock.stock(clinic.store)
    assert (one.state, one.loan and one.loan.borrower) == (State.LOST, "B-117")
    clinic.at = BACK
    assert clinic.take_back(keys=[lambda: clinic.visit(taken=DAYS), *"yyyyy"])


@pytest.mark.parametrize(("silent_s", "free"), [(19, False), (20, True)])
def test_a_cuff_that_we_left_is_free_only_after_its_silence(clinic: Clinic, silent_s: int, free: bool) -> None:
    """Twenty seconds since its last record, not since it came: it may have been in the midst of sending."""
    lent(clinic)
    clinic.at = BACK

    def come() -> None:
        clinic.visit(taken=DAYS, outcome="we left", stays=timedelta(seconds=silent_s))

    assert clinic.take_back(keys=[come, *("yyyyy" if free else "q")]) is free
    loan = loans.current(clinic.store, CUFF)
    assert (clinic.state() is State.AVAILABLE) is free
    assert free or (loan is not None and loan.step is Step.WAITING)

"""Lending cuffs and taking them back, with invented borrowers: nothing left in a cuff, nobody else's in a report."""

import csv
from collections.abc import Callable
from contextlib import suppress
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from io import StringIO, TextIOWrapper
from itertools import count
from pathlib import Path

import pytest
from air import room

from collector.intake.owner import assign_cuff
from collector.radio.port import Arrival, ValueRead
from collector.radio.virtual import Drop, Manner, VirtualCuff
from collector.service import closing, download
from collector.service.asking import Left
from collector.service.desk import StoreDesk
from collector.service.returning import Desk
from collector.store import cuffs, loans, people, readings
from collector.store.database import Store, open_store
from collector.store.errors import StoreError
from collector.store.lending import CHECKS, State, Step, why_not_lent
from collector.store.loans import Loan
from collector.store.values import Selection
from parsers.measurement import build_measurement, measurement
from parsers.stamps import build_current_time
from parsers.uuids import Uuid

CUFF = "F0:F1:F2:F3:F4:F5"
LENT = datetime(2031, 3, 3, 9, tzinfo=UTC)
BACK = LENT + timedelta(days=8)


class Clinic:
    """A station with its stock, and a scripted person at the screen."""

    def __init__(self, store: Store, folder: Path) -> None:
        self.store, self.folder, self.desk = store, folder, StoreDesk(store)
        self.at = LENT
        self.said: list[str] = []
        self.asked: list[str] = []
        self.keys: list[str | Callable[[], None]] = []
        self.ticks = count()

    # --- the screen ---
    def say(self, *texts: str) -> None:
        self.said += texts

    def result(self, text: str) -> None:
        self.said.append(text)

    def count(self, text: str) -> None:
        if not self.asked or self.asked[-1] != text:
            self.asked.append(text)

    def settle(self, text: str) -> None: ...

    def wait(self, seconds: float) -> str:
        if not self.keys:
            raise Left
        key = self.keys.pop(0)
        if callable(key):
            key()
            return ""
        return key

    # --- the cuffs ---
    def visit(self, address: str = CUFF, taken: tuple[datetime, ...] = (), slot: int | None = 1,
              outcome: str = "cuff left", ahead: timedelta = timedelta(0),
              stays: timedelta = timedelta(0)) -> None:
        number = self.desk.open_visit(address, "virtual", self.at)
        shown = (self.at + ahead).replace(tzinfo=None)
        self.desk.learn(number, ValueRead(Uuid.CURRENT_TIME, build_current_time(shown), self.at))
        for n, at in enumerate(taken):
            stamp = (at + ahead).replace(tzinfo=None)
            value = build_measurement(measurement(120 + n, 80, stamp=stamp, user_id=slot))
            self.desk.take(Arrival(address, Uuid.BLOOD_PRESSURE_MEASUREMENT, value, self.at, "virtual", True), number)
        self.desk.close_visit(number, self.at + stays, outcome)
        assign_cuff(self.store, cuffs.row_of(self.store, address))
        self.at += timedelta(minutes=1)

    def take_back(self, *wanted: str, keys: str | list[str | Callable[[], None]] = "") -> bool:
        self.keys = list(keys)
        return Desk(self.store, self, lambda: self.at, lambda: float(next(self.ticks)), self.save,
                    lambda address: address).take_back(list(wanted or (CUFF,)))

    def save(self, loan: Loan) -> list[str]:
        brought = download.look(self.store, loan, "UTC")
        closing.write(closing.folder_of(self.folder, loan), brought)
        return closing.summary(loan, "clinic-3", brought)

    def state(self, address: str = CUFF) -> State | None:
        return loans.state_of(self.store, address)


@pytest.fixture
def clinic(tmp_path: Path):  # type: ignore[no-untyped-def]
    with open_store(tmp_path / "store.db") as store:
        place = Clinic(store, tmp_path / "returns")
        place.at = LENT - timedelta(hours=1)
        place.visit()
        assert place.take_back(keys="yyyyy")
        place.at = LENT
        yield place


def lent(clinic: Clinic, borrower: str = "B-117", *slots: int) -> Loan:
    return loans.lend(clinic.store, CUFF, borrower, slots or ("any",), clinic.at)


DAYS = tuple(LENT + timedelta(days=day, hours=12) for day in range(1, 6))


def test_a_whole_loan(clinic: Clinic) -> None:
    lent(clinic)
    assert clinic.state() is State.ON_LOAN
    clinic.at = BACK
    ahead = timedelta(minutes=4)
    assert clinic.take_back(keys=[lambda: clinic.visit(taken=DAYS, ahead=ahead), *"yyyyy"])
    assert clinic.state() is State.AVAILABLE
    with (clinic.folder / "B-117-20310311-0900" / "readings.csv").open(encoding="utf-8") as file:
        rows = list(csv.DictReader(file))
    assert [row["person"] for row in rows] == ["B-117"] * 5
    assert [datetime.fromisoformat(row["taken_at"]) for row in rows] == list(DAYS)
    told = "\n".join(clinic.said)
    assert "5 records received; 5 readings of the borrower" in told
    assert "4 min fast" in told


def test_what_is_not_the_borrowers_is_set_aside_and_in_no_report(clinic: Clinic) -> None:
    """Another slot than the one lent, and readings from before the loan that came with it."""
    lent(clinic, "B-117", 1)
    clinic.at = BACK

    def send() -> None:
        clinic.visit(taken=DAYS[:2], slot=1)
        clinic.visit(taken=DAYS[2:], slot=2)
        clinic.visit(taken=(LENT - timedelta(days=30),), slot=1)

    assert clinic.take_back(keys=[send, *"yyyyy"])
    folder = clinic.folder / "B-117-20310311-0900"
    assert len((folder / "readings.ndjson").read_text("utf-8").splitlines()) == 2
    assert len((folder / "set-aside.ndjson").read_text("utf-8").splitlines()) == 4
    assert len(list(readings.select(clinic.store, Selection(person="B-117")))) == 2
    assert any("4 readings set aside" in line for line in clinic.said)


def test_nothing_is_asked_to_be_erased_before_it_is_saved(clinic: Clinic, monkeypatch: pytest.MonkeyPatch) -> None:
    lent(clinic)
    clinic.at = BACK
    clinic.asked.clear()
    monkeypatch.setattr(clinic, "folder", Path("/proc/nowhere"))
    with pytest.raises(closing.NotSaved, match="nothing was erased"):
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
        loans.lend(clinic.store, address, f"B-{n}", ("any",), LENT + timedelta(minutes=1))
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


class Crash(Exception):
    """The process dies here."""


@pytest.mark.parametrize("kind", [Crash, KeyboardInterrupt])
def test_interrupted_at_every_single_step_it_takes_up_where_it_was(clinic: Clinic, kind: type[BaseException],
                                                                   monkeypatch: pytest.MonkeyPatch) -> None:
    """Dying before each transaction, each key and each file in turn: the command again finishes the job, with the
    borrower's five readings saved, and no question asked twice that was answered and written down."""
    real = {"transaction": Store.transaction, "wait": clinic.wait, "save": clinic.save}
    left = 0

    def dying(what: str) -> Callable[..., object]:
        def act(*args: object) -> object:
            nonlocal left
            if what != "transaction" or args[0]._depth == 0:  # type: ignore[attr-defined]
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
            answered = len(loan.checks) if loan else 0
            clinic.asked.clear()
            clinic.at += timedelta(minutes=5)
            assert clinic.take_back(keys="y" * (len(CHECKS) - answered)), steps
            assert len(clinic.asked) == len(CHECKS) - answered
        assert clinic.state() is State.AVAILABLE
        (folder,) = clinic.folder.glob(f"B-{steps}-*")
        assert len((folder / "readings.ndjson").read_text("utf-8").splitlines()) == 5
    assert steps > 12  # two transactions at the beginning, one a step, one a check, each key


def test_what_reads_back_otherwise_than_it_was_is_not_saved(clinic: Clinic, monkeypatch: pytest.MonkeyPatch) -> None:
    lent(clinic)
    clinic.at = BACK
    clinic.visit(taken=DAYS)
    whole = closing.write_csv

    def one_digit_off(some, file):  # type: ignore[no-untyped-def]
        number = whole(some, text := StringIO())
        file.write(text.getvalue().replace("122", "123", 1) if isinstance(file, TextIOWrapper) else text.getvalue())
        return number

    loan = loans.begin_return(clinic.store, CUFF, clinic.at)
    brought = download.look(clinic.store, loan, "UTC")
    monkeypatch.setattr(closing, "write_csv", one_digit_off)
    with pytest.raises(closing.NotSaved, match="does not read back"):
        closing.write(clinic.folder / "x", brought)


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


async def test_ten_cuffs_switched_on_at_once_are_all_received_over_the_air(clinic: Clinic) -> None:
    """A real exchange with each; one walks off in the middle and comes again. Each borrower has what his cuff held."""
    now = datetime.now(UTC)
    table = [VirtualCuff(address=f"F0:F1:F2:F3:F5:{n:02X}", manner=Manner(lingers_s=0.05)) for n in range(10)]
    table[3].manner = replace(table[3].manner, drop=Drop("indicate", nth=2))
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
    async with room(*table, desk=clinic.desk) as air:
        await air.wake(*table)
        assert not clinic.take_back(*(cuff.address for cuff in table), keys=["", "q"])
        waiting = [cuff.address for cuff in table if loans.current(clinic.store, cuff.address).step is Step.WAITING]
        assert waiting == [table[3].address]
        await air.wake(table[3])
    clinic.keys.clear()
    assert clinic.take_back(*(cuff.address for cuff in table), keys="y" * 50)
    for n in range(10):
        mine = list(readings.select(clinic.store, Selection(person=f"B-{n}")))
        assert [(int(one.systolic or 0), int(one.diastolic or 0)) for one in mine] == [
            (110 + n, 75 - back) for back in range(5)]
    assert {clinic.state(cuff.address) for cuff in table} == {State.AVAILABLE}

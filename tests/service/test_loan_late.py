"""What comes late, or without a time, of invented borrowers: with whom it is kept, what the desk tells, what an erase
takes."""

from collections.abc import Callable, Iterator
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest
from clinicdesk import BACK, CUFF, DAYS, LENT, Clinic, lent, stocked
from older_schema import without_step

from collector import intake
from collector.intake import giving
from collector.radio.facts import ReceivedPayload
from collector.service.checks.store import findings
from collector.store import people, readings
from collector.store.errors import StoreError
from collector.store.instants import to_us
from collector.store.journal import payloads, stations
from collector.store.opening import open_store
from collector.store.people import loans, saved_papers, slot_spans, unions
from collector.store.values import Selection
from parsers.uuids import Uuid


@pytest.fixture
def clinic(tmp_path: Path) -> Iterator[Clinic]:
    with stocked(tmp_path) as place:
        yield place


def saved(clinic: Clinic, borrower: str) -> int:
    (folder,) = clinic.folder.glob(f"{borrower}-*")
    return len((folder / "readings.ndjson").read_text("utf-8").splitlines())


def told(clinic: Clinic, text: str) -> bool:
    return any(text in line for line in clinic.said)


def test_what_a_cuff_still_held_of_an_earlier_loan_is_in_that_loans_papers(clinic: Clinic) -> None:
    """Seen: it came with the next borrower's return, was given to whom it was of, and stood in no paper and no word."""
    lent(clinic)
    clinic.at = BACK
    assert clinic.take_back(keys=[lambda: clinic.visit(taken=DAYS[:3]), *"yyyyy"])
    lent(clinic, "B-118")
    later = tuple(clinic.at + timedelta(days=day) for day in (1, 2))
    clinic.at += timedelta(days=8)
    clinic.said.clear()
    assert clinic.take_back(keys=[lambda: clinic.visit(taken=DAYS + later), *"yyyyy"])
    assert (saved(clinic, "B-117"), saved(clinic, "B-118")) == (len(DAYS), len(later))
    assert told(clinic, "What is of B-117 is saved once more")
    assert told(clinic, "2 readings of somebody else, kept as theirs")
    assert told(clinic, "3 records received; 5 readings of the borrower")  # with the return, and in all
    assert not told(clinic, "set aside")


def test_what_was_set_aside_at_a_return_and_is_the_borrowers_since_is_told_and_saved_once_more(clinic: Clinic) -> None:
    """Its papers lacked it for good, and no word said so."""
    lent(clinic)
    clinic.at = BACK
    assert clinic.take_back(keys=[lambda: clinic.visit(taken=DAYS, stamped=False), *"yyyyy"])
    assert told(clinic, "5 readings set aside")
    assert saved_papers.lacking(clinic.store) == []
    aside = next(readings.select(clinic.store, Selection(unassigned=True)))
    giving.give(clinic.store, aside.reading_id, "B-117", clinic.at)
    found = list(findings(clinic.store, quick=True, listening=False))
    assert [one.text for one in found if one.topic == "loans"] == [
        f"the saved papers of B-117 and {CUFF} lack 1 reading that was set aside at the return, and found to be of the "
        "loan since"
    ]
    loans.mark(clinic.store, CUFF, loans.State.CHECK_DUE, clinic.at)
    assert clinic.take_back(keys=[clinic.visit, *"yyyyy"])
    assert told(clinic, "What is of B-117 is saved once more")
    assert (saved(clinic, "B-117"), saved_papers.lacking(clinic.store)) == (1, [])


def test_what_came_while_nobody_had_the_cuff_is_told_when_it_is_looked_after(clinic: Clinic) -> None:
    """Seen: of a day before, it kept the cuff from being lent, and then was in no count and no file."""
    clinic.at += timedelta(days=1)
    clinic.visit(taken=(clinic.at - timedelta(hours=1),))
    clinic.at += timedelta(days=1)
    clinic.said.clear()
    assert clinic.take_back(keys=[clinic.visit, *"yyyyy"])
    assert told(clinic, "1 record received")
    assert told(clinic, "1 reading set aside: the cuff was not lent then")
    clinic.at += timedelta(days=1)
    clinic.visit()
    loans.mark(clinic.store, CUFF, loans.State.CHECK_DUE, clinic.at)
    clinic.said.clear()
    assert clinic.take_back(keys=[clinic.visit, *"yyyyy"])
    assert told(clinic, "0 records received")


@pytest.mark.parametrize("typed_first", [True, False])
def test_a_record_without_a_time_is_told_so_and_goes_with_its_borrower(clinic: Clinic, typed_first: bool) -> None:
    """Seen: once the return was typed it was 'taken after the return', and stayed when the borrower was erased."""
    lent(clinic)
    clinic.at = BACK

    def comes() -> None:
        clinic.visit(taken=DAYS[:1])
        clinic.visit(taken=DAYS[1:3], stamped=False)
        clinic.sink.take(cut_short(clinic), None)

    if not typed_first:
        comes()
    assert clinic.take_back(keys=[*([comes] if typed_first else []), *"yyyyy"])
    clinic.at += timedelta(hours=1)
    clinic.visit(taken=(clinic.at,), stamped=False)  # a nurse's, once the cuff was free
    reason = "its time is not certain enough to tell whether it is of the loan"
    assert told(clinic, f"2 readings set aside: {reason}")
    assert payloads.count(clinic.store) == 5
    going = intake.erase_person(clinic.store, "B-117").erasure
    assert (going.readings, going.unsure, going.payloads) == (1, 2, 4)
    assert payloads.count(clinic.store) == 1


def cut_short(clinic: Clinic) -> ReceivedPayload:
    return ReceivedPayload(
        cuff=CUFF,
        characteristic=Uuid.BLOOD_PRESSURE_MEASUREMENT,
        value=b"\x02\x80",
        arrived_at=clinic.at,
        source="virtual",
        encrypted=True,
    )


@pytest.fixture
def lent_twice(clinic: Clinic, tmp_path: Path) -> Clinic:
    """A cuff that was lent here came back at another station, was lent there, and measured twice; nobody told here."""
    (tmp_path / "other").mkdir()
    lent(clinic)
    with stocked(tmp_path / "other") as other:
        other.at = BACK
        other.visit(taken=DAYS[:2])
        assert other.take_back(keys="yyyyy")
        loans.lend(other.store, CUFF, "B-118", ("any",), other.at)
        other.at += timedelta(days=8)
        other.visit(taken=tuple(BACK + timedelta(days=day) for day in (1, 2)))
    clinic.at = BACK + timedelta(days=9)
    return clinic


def whose(clinic: Clinic) -> list[str | None]:
    return [one.person for one in readings.select(clinic.store)]


def test_a_loan_is_over_where_another_station_took_the_cuff_back(lent_twice: Clinic, tmp_path: Path) -> None:
    """Seen: what the second borrower measured became nobody's, and the first one's when the second was erased."""
    other = tmp_path / "other" / "store.db"
    intake.merge(lent_twice.store, other)
    assert whose(lent_twice) == ["B-117", "B-117", "B-118", "B-118"]
    intake.rebuild(lent_twice.store)
    assert whose(lent_twice) == ["B-117", "B-117", "B-118", "B-118"]
    with open_store(other) as store:
        intake.erase_person(store, "B-118")
        again = Clinic(store, tmp_path)
        again.at = BACK + timedelta(days=10)
        again.visit(taken=(BACK + timedelta(days=3),))
    intake.merge(lent_twice.store, other)
    assert whose(lent_twice) == ["B-117", "B-117", None]
    lent_twice.at += timedelta(days=3)
    assert lent_twice.take_back(keys=[lent_twice.visit, *"yyyyy"])  # the first one's papers
    assert saved(lent_twice, "B-117") == 2


def test_what_was_merged_by_an_older_quietcuff_is_derived_again(lent_twice: Clinic, tmp_path: Path) -> None:
    store = lent_twice.store
    intake.merge(store, tmp_path / "other" / "store.db")
    store.query("UPDATE reading SET person_id = NULL, owner_mark = 'owner unsure' WHERE taken_at > ?", (to_us(BACK),))
    assert whose(lent_twice) == ["B-117", "B-117", None, None]
    without_step(store, "019 followed")
    with open_store(store.path) as brought_up:
        intake.catch_up(brought_up)
    assert whose(lent_twice) == ["B-117", "B-117", "B-118", "B-118"]


def test_a_loan_that_was_ended_late_is_over_when_the_cuff_was_lent_on(lent_twice: Clinic, tmp_path: Path) -> None:
    """Seen: erasing its borrower took the other's readings for good."""
    store = lent_twice.store
    loans.begin_return(store, CUFF, lent_twice.at)
    intake.merge(store, tmp_path / "other" / "store.db")
    assert whose(lent_twice) == ["B-117", "B-117", "B-118", "B-118"]
    assert intake.erase_person(store, "B-117").erasure.readings == 2
    assert whose(lent_twice) == ["B-118", "B-118"]


def test_no_erase_takes_what_may_be_anothers(lent_twice: Clinic, tmp_path: Path) -> None:
    store = lent_twice.store
    with open_store(tmp_path / "other" / "store.db") as other:  # by hand, beside the loan that it does not know of
        people.add(other, "rui", BACK)
        slot_spans.add(other, "rui", CUFF, 1, BACK, since=DAYS[0], until=DAYS[2])
    intake.merge(store, tmp_path / "other" / "store.db")
    assert whose(lent_twice) == [None, None, "B-118", "B-118"]
    with pytest.raises(StoreError, match="2 readings lie in a loan of B-117 and in somebody else's time of the slot"):
        intake.erase_person(store, "B-117")
    for one in readings.select(store, Selection(unassigned=True)):
        giving.give(store, one.reading_id, "rui", lent_twice.at)
    assert intake.erase_person(store, "B-117").erasure.unsure == 0
    assert whose(lent_twice) == ["rui", "rui", "B-118", "B-118"]


def test_no_loan_is_said_to_have_begun_in_anothers(clinic: Clinic) -> None:
    """Seen: `--lent-at` with a slip of the day made the former borrower's readings nobody's, without a word."""
    lent(clinic)
    clinic.at = BACK
    assert clinic.take_back(keys=[lambda: clinic.visit(taken=DAYS), *"yyyyy"])
    clinic.at += timedelta(days=1)
    loan = lent(clinic, "B-118")
    with pytest.raises(StoreError, match=r"lent to B-117 from .* if it ended earlier, say so first"):
        loans.set_lent_at(clinic.store, CUFF, DAYS[2], clinic.at + timedelta(hours=1))
    assert loans.get(clinic.store, loan.row).out_at == loan.out_at
    loans.set_lent_at(clinic.store, CUFF, BACK + timedelta(hours=2), clinic.at + timedelta(hours=1))
    intake.reassign(clinic.store)
    assert readings.count(clinic.store, Selection(person="B-117")) == len(DAYS)


def test_no_loan_is_said_to_have_begun_before_its_cuff_was_looked_after_here(clinic: Clinic) -> None:
    """Seen: it was over at that moment, and what its borrower measured was nobody's."""
    clinic.at += timedelta(hours=1)
    lent(clinic)
    with pytest.raises(StoreError, match=r"it was here, and looked after, on .*; it was lent after that"):
        loans.set_lent_at(clinic.store, CUFF, clinic.at - timedelta(days=1), clinic.at)
    clinic.at = BACK
    assert clinic.take_back(keys=[lambda: clinic.visit(taken=DAYS), *"yyyyy"])
    assert whose(clinic) == ["B-117"] * len(DAYS)


def test_a_cuff_looked_after_by_a_clock_that_ran_ahead_ends_no_later_loan(tmp_path: Path) -> None:
    """Seen: the loan was over on the day that clock had shown, and what came after it was nobody's."""
    with open_store(tmp_path / "store.db") as store:
        clinic = Clinic(store, tmp_path)
        clinic.at = DAYS[1]
        clinic.visit()
        assert clinic.take_back(keys=["", *"yyyyy"])
        clinic.at = DAYS[0] - timedelta(hours=1)
        loans.lend(store, CUFF, "B-117", ("any",), clinic.at, set_by_network=True)
        clinic.at = BACK
        assert clinic.take_back(keys=[lambda: clinic.visit(taken=DAYS), *"yyyyy"])
        assert whose(clinic)[1:] == ["B-117"] * len(DAYS[1:])  # the first one's time is not sure


AHEAD = datetime(2036, 1, 1, tzinfo=UTC)


def test_what_a_clock_that_ran_ahead_dated_is_no_later_borrowers(clinic: Clinic) -> None:
    """Seen: for an hour the station's clock stood at 2036 while a lent cuff was near. It could never be lent again; and
    where it was, the former borrower's readings became the next one's."""
    lent(clinic)
    clinic.at = AHEAD
    clinic.visit(taken=DAYS[:2])
    for _ in range(20):
        clinic.visit()
    clinic.at = BACK
    assert not clinic.take_back(keys=["", "q"])  # no visit of 2036 is of this return
    assert clinic.take_back(keys=[lambda: clinic.visit(taken=DAYS[2:]), *"yyyyy"])
    with pytest.raises(StoreError, match="set the clock right"):
        lent(clinic, "B-118")

    def lend() -> loans.Loan:
        return loans.lend(clinic.store, CUFF, "B-118", ("any",), clinic.at, set_by_network=True)

    ahead = [one for one in readings.select(clinic.store) if one.received_at >= AHEAD]
    ids = " ".join(one.reading_id[:8] for one in ahead)  # by the time they were taken nobody would find them
    with pytest.raises(StoreError, match=f"sent 2 readings while this machine's clock ran ahead.* claim NAME {ids}`"):
        lend()
    for one in ahead:
        giving.give(clinic.store, one.reading_id, "B-117", clinic.at)
    lend()
    clinic.at += timedelta(days=8)
    assert clinic.take_back(keys=[lambda: clinic.visit(taken=(BACK + timedelta(days=3),)), *"yyyyy"])
    assert readings.count(clinic.store, Selection(person="B-118")) == 1
    assert readings.count(clinic.store, Selection(person="B-117")) == len(DAYS)


def test_whose_a_reading_is_at_a_return_a_rebuild_says_too(clinic: Clinic) -> None:
    """Seen: one taken just before was the borrower's in the papers and, after the next rebuild, nobody's."""
    lent(clinic)
    clinic.at = BACK
    clinic.visit(taken=(*DAYS, BACK - timedelta(seconds=1)))
    clinic.at = BACK
    assert clinic.take_back(keys=["", *"yyyyy"])
    found = whose(clinic)
    assert saved(clinic, "B-117") == found.count("B-117") == len(DAYS)
    intake.rebuild(clinic.store)
    assert whose(clinic) == found


@pytest.fixture
def lent_on(clinic: Clinic, tmp_path: Path) -> Clinic:
    """A cuff that was lent here was lent on at another station, which did not know of it; merged since."""
    lent(clinic)
    clinic.at = DAYS[2]
    clinic.visit(taken=DAYS[:2])
    (tmp_path / "other").mkdir()
    with stocked(tmp_path / "other") as other:
        other.at = BACK
        lent(other, "B-118")
        other.at += timedelta(hours=2)
        other.visit(taken=(BACK + timedelta(hours=1),))
        assert other.take_back(keys=[other.visit, *"yyyyy"])
    intake.merge(clinic.store, tmp_path / "other" / "store.db")
    assert whose(clinic) == ["B-117", "B-117", "B-118"]
    clinic.at = BACK + timedelta(days=9)
    return clinic


def test_a_loan_stays_over_when_whom_the_cuff_was_lent_on_to_is_erased(lent_on: Clinic) -> None:
    """Seen: whatever the cuff measured from then on, of anybody, was the first borrower's."""
    intake.erase_person(lent_on.store, "B-118")
    lent_on.visit(taken=(BACK + timedelta(days=8),))
    assert whose(lent_on) == ["B-117", "B-117", None]
    intake.rebuild(lent_on.store)
    assert whose(lent_on) == ["B-117", "B-117", None]


@pytest.mark.parametrize(("kept", "other"), [("B-117", "B-118"), ("B-118", "B-117")])
def test_a_loan_stays_over_when_whom_the_cuff_was_lent_on_to_is_the_same_person(
    lent_on: Clinic, kept: str, other: str
) -> None:
    """Seen: as when they were erased."""
    unions.unite(lent_on.store, kept, other, lent_on.at)
    lent_on.visit(taken=(BACK + timedelta(days=8),))
    intake.rebuild(lent_on.store)
    assert whose(lent_on) == [kept, kept, kept, None]


def test_what_came_under_a_clock_put_right_since_counts_when_it_came(clinic: Clinic) -> None:
    """Seen: the board started with an old time. A cuff with a stranger's reading was lent; what could not be read of a
    borrower's stayed when they were erased."""

    def behind(true: datetime, send: Callable[[], None]) -> None:
        stations.unsure_clock(clinic.store, f"boot {true}", 0.0)
        clinic.at = LENT - timedelta(days=9)
        error = true - clinic.at
        send()
        stations.clock_known(clinic.store, f"boot {true}", error.total_seconds())
        intake.catch_up(clinic.store)
        clinic.at = true + timedelta(hours=1)

    lent(clinic)
    behind(DAYS[0], lambda: clinic.sink.take(cut_short(clinic), None))
    clinic.at = BACK
    assert clinic.take_back(keys=[clinic.visit, *"yyyyy"])
    assert intake.erase_person(clinic.store, "B-117").erasure.payloads == 1
    behind(BACK + timedelta(days=1), lambda: clinic.visit(taken=(BACK + timedelta(hours=20),)))
    with pytest.raises(StoreError, match="sent 1 record since it was made available"):
        lent(clinic, "B-118")

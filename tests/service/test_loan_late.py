"""What comes late, or without a time, of invented borrowers: with whom it is kept, what the desk tells, what an erase
takes."""

from collections.abc import Iterator
from datetime import timedelta
from pathlib import Path

import pytest
from clinicdesk import BACK, CUFF, DAYS, Clinic, lent, stocked

from collector import intake
from collector.radio.facts import ReceivedPayload
from collector.store import people, readings
from collector.store.errors import StoreError
from collector.store.journal import payloads
from collector.store.people import loans
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


def test_what_came_while_nobody_had_the_cuff_is_told_when_it_is_looked_after(clinic: Clinic) -> None:
    """Seen: of a day before, it kept the cuff from being lent, and then was in no count and no file."""
    clinic.at += timedelta(days=1)
    clinic.visit(taken=(clinic.at - timedelta(hours=1),))
    clinic.at += timedelta(days=1)
    clinic.said.clear()
    assert clinic.take_back(keys=[clinic.visit, *"yyyyy"])
    assert told(clinic, "1 records received")
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


def test_no_erase_takes_what_may_be_anothers(clinic: Clinic, tmp_path: Path) -> None:
    """Seen: a cuff lent here came back at another station and was lent there; once both were merged, erasing the
    first borrower took the second's readings for good."""
    (tmp_path / "other").mkdir()
    lent(clinic)
    with stocked(tmp_path / "other") as other:
        other.at = BACK
        loans.lend(other.store, CUFF, "B-118", ("any",), other.at)
        other.at += timedelta(days=8)
        other.visit(taken=tuple(BACK + timedelta(days=day) for day in (1, 2)))
    clinic.at = BACK + timedelta(days=9)
    intake.merge(clinic.store, other.store.path)
    assert readings.count(clinic.store, Selection(unassigned=True)) == 2
    with pytest.raises(StoreError, match="2 readings lie in a loan of B-117 and in somebody else's time of the slot"):
        intake.erase_person(clinic.store, "B-117")
    loans.begin_return(clinic.store, CUFF, clinic.at)
    (span,) = loans.slot_spans.every(clinic.store, person=people.need(clinic.store, "B-117").row)
    loans.slot_spans.end(clinic.store, span.row, BACK - timedelta(hours=1), clinic.at)
    intake.reassign(clinic.store)
    assert intake.erase_person(clinic.store, "B-117").erasure.unsure == 0
    assert readings.count(clinic.store, Selection(person="B-118")) == 2

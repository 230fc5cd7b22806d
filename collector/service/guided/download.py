"""What a returned cuff brought: whether its memory came over, how much, and what is not the borrower's."""

from dataclasses import dataclass
from datetime import datetime, timedelta

from collector.intake.owner import UNSURE
from collector.intake.time.clock_readings import clock_ahead_s
from collector.store import readings
from collector.store.database import Store
from collector.store.journal import visits
from collector.store.people import loan_order, saved_papers
from collector.store.people.loans import Loan
from collector.store.values import Reading, Selection

BEFOREHAND = timedelta(minutes=15)
"""A cuff that was switched on a little before anybody typed the command has sent all it had by then."""


@dataclass(frozen=True, slots=True)
class Download:
    """Of one return. mine: the borrower's readings of the loan; others: what came with them and is somebody else's;
    strangers: what came with them and is nobody's."""

    records: int  # that arrived with the return
    mine: tuple[Reading, ...]
    others: tuple[Reading, ...]
    strangers: tuple[Reading, ...]
    clock_ahead_s: float | None  # of the cuff as it came back; None: it tells no time


def whole_visit(store: Store, loan: Loan, now: datetime) -> bool:
    """Whether the cuff has been here for a whole visit since it came back."""
    since = _since(loan)
    return any(visit.whole and visit.opened_at >= since for visit in visits.recent(store, loan.cuff, now))


def is_here(store: Store, loan: Loan, asked: datetime, now: datetime) -> bool:
    """Whether a cuff that is lent came to the table since somebody asked for it, or shortly before."""
    since = max(loan.out_at, asked - BEFOREHAND)
    return any(visit.opened_at >= since for visit in visits.recent(store, loan.cuff, now))


def _since(loan: Loan) -> datetime:
    """From when on a visit is of this return: shortly before it began, but never before the loan did."""
    assert loan.back_at is not None
    beforehand = loan.back_at - BEFOREHAND
    return beforehand if loan.borrower is None else max(loan.out_at, beforehand)


def _records_since(store: Store, loan: Loan) -> datetime:
    """From when on a record came with the return; what came while nobody had the cuff did, too."""
    since = _since(loan)
    return since if loan.borrower is not None else min(since, loan_order.free_since(store, loan) or since)


def records_of_return(store: Store, loan: Loan) -> int:
    return visits.payloads_between(store, loan.cuff, _records_since(store, loan), loan_order.next_out(store, loan))


def read_download(store: Store, loan: Loan, zone: str) -> Download:
    """What the store holds of the return; the same however often it is asked."""
    arrived = _arrived(store, loan)
    known = [reading for reading in arrived if reading.person is not None]
    return Download(
        records=records_of_return(store, loan),
        mine=tuple(reading for reading in known if reading.person == loan.borrower),
        others=tuple(reading for reading in known if reading.person != loan.borrower),
        strangers=tuple(reading for reading in arrived if reading.person is None),
        clock_ahead_s=clock_ahead_s(store, loan.cuff, zone, _since(loan)),
    )


def _arrived(store: Store, loan: Loan) -> list[Reading]:
    """What came while it was the newest loan of the cuff; and the borrower's of it, whenever they came."""
    first = loan.out_at if loan.borrower is not None else _records_since(store, loan)
    following = loan_order.next_out(store, loan)
    return [
        reading
        for reading in readings.select(store, Selection(cuff=loan.cuff))
        if first <= reading.received_at
        and (following is None or reading.received_at < following or _is_of(reading, loan))
    ]


def papers_lacking(store: Store, loan: Loan) -> list[Loan]:
    """Earlier loans to somebody else of which readings came with this return, or were set aside at theirs."""
    late = [reading for reading in _arrived(store, loan) if reading.person not in (None, loan.borrower)]
    return [
        former
        for former in loan_order.lent_before(store, loan)
        if any(_is_of(reading, former) for reading in late) or saved_papers.lacks_readings(store, former)
    ]


def _is_of(reading: Reading, loan: Loan) -> bool:
    return reading.person == loan.borrower and _within(reading.taken_at, loan)


def _within(at: datetime, loan: Loan) -> bool:
    return loan.out_at <= at and (loan.back_at is None or at < loan.back_at)


def why_set_aside(reading: Reading, loan: Loan) -> str:
    """Why a reading that came with a return is not the borrower's."""
    if loan.borrower is None:
        unsure = UNSURE in reading.marks or reading.taken_uncertainty_s is None
        return (
            "its time is not certain enough to tell whether it is of a loan" if unsure else "the cuff was not lent then"
        )
    if "any" not in loan.slots and reading.slot not in loan.slots:
        return "in a record without a slot" if reading.slot is None else f"in slot {reading.slot}, which was not lent"
    outside = not _within(reading.taken_at, loan)
    if UNSURE in reading.marks or (outside and _may_be_within(reading, loan)):
        return "its time is not certain enough to tell whether it is of the loan"
    if outside:
        return "taken before the loan" if reading.taken_at < loan.out_at else "taken after the return"
    return "made nobody's by hand"


def _may_be_within(reading: Reading, loan: Loan) -> bool:
    if reading.taken_uncertainty_s is None:
        return True
    reach = timedelta(seconds=reading.taken_uncertainty_s)
    return reading.taken_at + reach >= loan.out_at and (loan.back_at is None or reading.taken_at - reach < loan.back_at)

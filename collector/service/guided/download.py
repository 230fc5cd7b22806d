"""What a returned cuff brought: whether its memory came over, how much, and what is not the borrower's."""

from dataclasses import dataclass
from datetime import datetime, timedelta

from collector.intake.owner import UNSURE
from collector.intake.time.clock_readings import clock_ahead_s
from collector.store import readings
from collector.store.database import Store
from collector.store.journal import visits
from collector.store.journal.visits import Visit
from collector.store.people.loans import Loan
from collector.store.values import Reading, Selection

BEFOREHAND = timedelta(minutes=15)
"""A cuff that was switched on a little before anybody typed the command has sent all it had by then."""

SILENT = timedelta(seconds=20)
"""A cuff that said nothing for so long has nothing more to send. Visits end after 30 s of silence."""


@dataclass(frozen=True, slots=True)
class Download:
    """Of one return. mine: the borrower's readings of the loan; strangers: what came with them and is not theirs."""

    records: int  # that arrived with the return
    mine: tuple[Reading, ...]
    strangers: tuple[Reading, ...]
    clock_ahead_s: float | None  # of the cuff as it came back; None: it tells no time


def whole_visit(store: Store, loan: Loan) -> bool:
    """Whether the cuff has been here for a whole visit since it came back."""
    since = _since(loan)
    return any(_whole(visit) and visit.opened_at >= since for visit in visits.recent(store, loan.cuff))


def _since(loan: Loan) -> datetime:
    """From when on a visit is of this return: shortly before it began, but never before the loan did."""
    assert loan.back_at is not None
    beforehand = loan.back_at - BEFOREHAND
    return beforehand if loan.borrower is None else max(loan.out_at, beforehand)


def _whole(visit: Visit) -> bool:
    """The cuff hung up itself; or we did, not because the machine was stopped, but after a long silence."""
    if visit.outcome != "we left" or visit.closed_at is None:
        return visit.outcome == "cuff left"
    return visit.closed_at - (visit.last_arrival or visit.opened_at) >= SILENT


def records_of_return(store: Store, loan: Loan) -> int:
    return visits.payloads_since(store, loan.cuff, _since(loan))


def read_download(store: Store, loan: Loan, zone: str) -> Download:
    """What the store holds of the return; the same however often it is asked."""
    since = _since(loan)
    first = loan.out_at if loan.borrower is not None else since
    arrived = [reading for reading in readings.select(store, Selection(cuff=loan.cuff)) if reading.received_at >= first]
    mine = tuple(reading for reading in arrived if loan.borrower is not None and reading.person == loan.borrower)
    return Download(
        records=records_of_return(store, loan),
        mine=mine,
        strangers=tuple(reading for reading in arrived if reading.person is None),
        clock_ahead_s=clock_ahead_s(store, loan.cuff, zone, since),
    )


def why_set_aside(reading: Reading, loan: Loan) -> str:
    """Why a reading that came with a return is not the borrower's."""
    if loan.borrower is None:
        return "the cuff was never lent, so it is nobody's"
    if UNSURE in reading.marks:
        return "its time is not certain enough to tell whether it is of the loan"
    if reading.taken_at < loan.out_at:
        return "taken before the loan"
    if loan.back_at is not None and reading.taken_at >= loan.back_at:
        return "taken after the return"
    if "any" not in loan.slots and reading.slot not in loan.slots:
        return "in a record without a slot" if reading.slot is None else f"in slot {reading.slot}, which was not lent"
    return "made nobody's by hand"

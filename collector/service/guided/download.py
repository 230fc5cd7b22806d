"""What a returned cuff brought: whether its memory came over, how much, and what is not the borrower's."""

from dataclasses import dataclass
from datetime import datetime, timedelta

from collector.radio.cuff_clock import seconds_ahead
from collector.radio.port import ValueRead
from collector.store import readings
from collector.store.database import Store
from collector.store.journal import visits
from collector.store.journal.visits import Visit
from collector.store.people.loans import Loan
from collector.store.values import Reading, Selection
from parsers.uuids import Uuid

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
    clock_ahead_s: float | None  # of the cuff, read with the return; None: it tells no time


def whole_visit(store: Store, loan: Loan) -> bool:
    """Whether the cuff has been here for a whole visit since it came back."""
    assert loan.back_at is not None
    return any(
        _whole(visit) and visit.opened_at >= loan.back_at - BEFOREHAND for visit in visits.recent(store, loan.cuff)
    )


def _whole(visit: Visit) -> bool:
    """The cuff hung up itself; or we did, not because the machine was stopped, but after a long silence."""
    if visit.outcome != "we left" or visit.closed_at is None:
        return visit.outcome == "cuff left"
    return visit.closed_at - (visit.last_arrival or visit.opened_at) >= SILENT


def look(store: Store, loan: Loan, zone: str) -> Download:
    """What the store holds of the return; the same however often it is asked."""
    assert loan.back_at is not None
    since = loan.back_at - BEFOREHAND
    records = sum(visit.payloads for visit in visits.recent(store, loan.cuff) if visit.opened_at >= since)
    arrived = [
        reading for reading in readings.select(store, Selection(cuff=loan.cuff)) if reading.received_at >= loan.out_at
    ]
    mine = tuple(reading for reading in arrived if loan.borrower is not None and reading.person == loan.borrower)
    return Download(
        records,
        mine,
        tuple(reading for reading in arrived if reading.person is None),
        _clock_ahead(store, loan.cuff, since, zone),
    )


def _clock_ahead(store: Store, cuff: str, since: datetime, zone: str) -> float | None:
    values = visits.values_of(store, cuff)
    for characteristic in (Uuid.CURRENT_TIME, Uuid.DATE_TIME):
        if characteristic in values:
            value, at = values[characteristic]
            if at >= since:
                return seconds_ahead(ValueRead(characteristic, value, at), zone)
    return None

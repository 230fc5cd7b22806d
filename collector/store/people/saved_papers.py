"""What the papers of a loan hold, by counts, and what became the borrower's since they were written."""

from dataclasses import dataclass
from datetime import datetime

from collector.store.database import Store
from collector.store.namesakes import CALLED
from collector.store.people import loans
from collector.store.people.loans import SAVED_READINGS, SAVED_RECORDS, Loan

_NEXT_OUT = """(SELECT min(out_at) FROM loan AS later WHERE later.cuff_id = loan.cuff_id AND later.out_at > loan.out_at
    AND person_id IS NOT NULL AND NOT gone)"""
_OF_LOAN = f"""(SELECT count(*) FROM reading WHERE reading.cuff_id = loan.cuff_id AND reading.person_id = loan.person_id
    AND received_at >= out_at AND (received_at < coalesce({_NEXT_OUT}, 1 << 62) OR (taken_at >= out_at AND
    taken_at < back_at)))"""


@dataclass(frozen=True, slots=True)
class Lacking:
    """Papers that lack readings: how many of which borrower, measured with which cuff (its name, else its address)."""

    borrower: str
    cuff: str
    readings: int


def readings_of_loan(store: Store, loan: Loan) -> int:
    """How many are the borrower's by now, of those that came while it was the newest loan, or are of its time."""
    return int(store.scalar(f"SELECT {_OF_LOAN} FROM loan WHERE id = ?", (loan.row,)))


def note_saved(store: Store, loan: Loan, records: int | None, readings: int, at: datetime) -> Loan:
    """records: of the return, when its papers were written; None where those of its return stay as they were."""
    saved = {SAVED_READINGS: readings} if records is None else {SAVED_READINGS: readings, SAVED_RECORDS: records}
    return loans.set_checks(store, loan, lambda checks: {**checks, **saved}, at)


def lacks_readings(store: Store, loan: Loan) -> bool:
    saved = loan.checks.get(SAVED_READINGS)
    return isinstance(saved, int) and readings_of_loan(store, loan) > saved


def lacking(store: Store) -> list[Lacking]:
    rows = store.query(
        f"""WITH saved AS (SELECT id, CASE WHEN json_valid(checks) THEN json_extract(checks, '$."{SAVED_READINGS}"') END
                AS readings FROM loan WHERE NOT gone)
            SELECT {CALLED}, coalesce(cuff.name, address), {_OF_LOAN} - readings FROM saved JOIN loan USING (id)
            JOIN person ON person.id = loan.person_id JOIN cuff ON cuff.id = loan.cuff_id
            WHERE typeof(readings) = 'integer' AND {_OF_LOAN} > readings ORDER BY out_at, loan.id"""
    )
    return [Lacking(*row) for row in rows]

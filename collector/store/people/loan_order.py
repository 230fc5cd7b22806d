"""What came before and after a loan of the same cuff."""

from datetime import datetime

from collector.store.database import Store
from collector.store.instants import from_us, to_us
from collector.store.journal import cuffs
from collector.store.people import loans
from collector.store.people.loan_states import Step
from collector.store.people.loans import Loan


def lent_before(store: Store, loan: Loan) -> list[Loan]:
    """The other loans of this cuff to somebody that are back, the first first."""
    rows = store.query(
        """SELECT id FROM loan WHERE cuff_id = ? AND id <> ? AND person_id IS NOT NULL AND back_at IS NOT NULL AND
            NOT gone ORDER BY id""",
        (cuffs.row_of(store, loan.cuff), loan.row),
    ).fetchall()
    return [loans.get(store, row) for (row,) in rows]


def next_out(store: Store, loan: Loan) -> datetime | None:
    """When the cuff was lent again after this loan or return; None: not yet."""
    at = store.scalar(
        """SELECT min(out_at) FROM loan WHERE cuff_id = ? AND out_at > ? AND id <> ? AND person_id IS NOT NULL AND
            NOT gone""",
        (cuffs.row_of(store, loan.cuff), to_us(loan.out_at), loan.row),
    )
    return None if at is None else from_us(at)


def free_since(store: Store, loan: Loan) -> datetime | None:
    """When the cuff became available last before this return of it began; None: never yet."""
    at = store.scalar(
        """SELECT max(changed_at) FROM loan WHERE cuff_id = ? AND id <> ? AND step = ? AND changed_at <= ? AND
            NOT gone""",
        (cuffs.row_of(store, loan.cuff), loan.row, Step.CLOSED, to_us(loan.out_at)),
    )
    return None if at is None else from_us(at)

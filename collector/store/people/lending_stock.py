"""The lending stock: which cuff is where."""

from dataclasses import dataclass
from datetime import datetime

from collector.store.columns import word_of
from collector.store.database import Store
from collector.store.instants import from_us
from collector.store.people import loans
from collector.store.people.loan_states import State, Step
from collector.store.people.loans import Loan


@dataclass(frozen=True, slots=True)
class Stocked:
    """A cuff of the lending stock."""

    cuff: str
    name: str | None
    state: State
    reason: str | None
    since: datetime
    loan: Loan | None  # the one that is not closed


def stock(store: Store) -> list[Stocked]:
    """Every cuff of the lending stock, by name."""
    rows = store.query(
        """SELECT address, name, state, reason, changed_at FROM cuff_state JOIN cuff ON cuff.id = cuff_id
            ORDER BY name IS NULL, name, address"""
    ).fetchall()
    return [
        Stocked(
            cuff=address,
            name=name,
            state=word_of(State, state),
            reason=reason,
            since=from_us(since),
            loan=loans.current(store, address),
        )
        for address, name, state, reason, since in rows
    ]


def is_awaited(one: Stocked) -> bool:
    """Whether something is left to do with it; one that was marked 'retired' is awaited as long as it is out."""
    out = one.loan is not None and one.loan.step is Step.OUT
    return one.state is not State.AVAILABLE and (out or one.state is not State.RETIRED)


def count_out(store: Store) -> int:
    """How many cuffs are lent, and not begun to be taken back."""
    return int(store.scalar("SELECT count(DISTINCT cuff_id) FROM loan WHERE step = ? AND NOT gone", (Step.OUT,)))

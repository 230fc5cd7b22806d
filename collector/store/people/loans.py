"""Loans: which cuff is with which borrower, and how far its return has come."""

import json
from collections.abc import Callable
from dataclasses import dataclass
from datetime import datetime
from shlex import quote
from typing import Any

from collector.store import audit, people
from collector.store.acceptable import meant_us, text_problem
from collector.store.columns import word_of
from collector.store.database import Store, new_uid
from collector.store.errors import RefusedByStore
from collector.store.instants import LATER, from_us, optional_us, to_us
from collector.store.journal import cuffs
from collector.store.json_columns import from_json
from collector.store.namesakes import CALLED
from collector.store.people import loan_doubts, slot_spans
from collector.store.people.loan_states import State, Step, why_not_lent


@dataclass(frozen=True, slots=True)
class Loan:
    """borrower: the code they are kept under; None for a cuff that is only taken into the stock."""

    row: int
    cuff: str
    borrower: str | None
    slots: tuple[slot_spans.Slot, ...]
    out_at: datetime
    back_at: datetime | None
    step: Step
    checks: dict[str, Any]  # key of what was looked at: when
    borrower_row: int | None


def state_of(store: Store, address: str) -> State | None:
    found = store.scalar(
        "SELECT state FROM cuff_state WHERE cuff_id = (SELECT id FROM cuff WHERE address = ?)", (address,)
    )
    return None if found is None else word_of(State, found)


def set_state(store: Store, address: str, state: State, at: datetime, reason: str | None = None) -> None:
    """Mark a cuff. Written down with the time of the change. Raises StoreError for a reason that cannot be kept."""
    if reason is not None and (problem := text_problem(reason)):
        raise RefusedByStore(f"the reason {problem}")
    with store.transaction():
        store.query(
            """INSERT INTO cuff_state VALUES (?, ?, ?, ?) ON CONFLICT (cuff_id) DO UPDATE SET state =
                excluded.state, reason = excluded.reason, changed_at = excluded.changed_at""",
            (cuffs.row_of(store, address), state, reason, to_us(at)),
        )
        audit.record(store, at, "cuff marked", {"cuff": address, "state": str(state), "reason": reason})


def mark(store: Store, cuff: str, state: State, at: datetime, reason: str | None = None) -> None:
    """Take a cuff of the stock out of use, by one of MARKS: what was answered at its return is asked again. Raises
    StoreError for one that is in no stock."""
    address = cuffs.need(store, cuff)
    if state_of(store, address) is None:
        raise RefusedByStore(f"{cuff} is not in the lending stock; `quietcuff loan back {quote(cuff)}` takes it in")
    with store.transaction():
        set_state(store, address, state, at, reason)
        if loan := current(store, address):
            set_checks(store, loan, lambda checks: {key: checks[key] for key in checks if key in _SAVED}, at)


def lend(
    store: Store,
    cuff: str,
    borrower: str,
    slots: tuple[slot_spans.Slot, ...],
    at: datetime,
    *,
    set_by_network: bool = False,
) -> Loan:
    """Lend a cuff: from now on what it measures is the borrower's, as far as the slots say.

    set_by_network: `at` is right, whatever was dated later. Raises StoreError when the cuff may not be lent, among
    others because it may hold somebody's readings.
    """
    address, slots = cuffs.need(store, cuff), tuple(dict.fromkeys(slots))
    with store.transaction():  # two desks may lend at once
        if (reason := why_not_lent(state_of(store, address))) is not None:
            raise RefusedByStore(f"{cuff} cannot be lent: {reason}")
        if strangers := loan_doubts.sent_since_marked(store, address, at):
            raise RefusedByStore(
                f"{cuff} cannot be lent: it sent {strangers} record{'s' * (strangers != 1)} since it was made "
                "available, so it may hold somebody's readings; `loan back` looks after it"
            )
        loan_doubts.refuse_what_was_later(store, cuff, address, at, set_by_network=set_by_network)
        if people.find(store, borrower) is None:
            people.add(store, borrower, at)
        owner = people.need(store, borrower)
        _date_returns_before(store, address, at)
        for slot in slots:
            slot_spans.add(store, owner.name, address, slot, at, since=at, strict=True)
        row = _insert(store, address, owner.row, slots, at, None, Step.OUT)
        set_state(store, address, State.ON_LOAN, at)
        audit.record(store, at, "lent", {"cuff": address, "person": owner.name}, owner.row)
    return get(store, row)


def _date_returns_before(store: Store, address: str, at: datetime) -> None:
    """Looked after by a clock that ran ahead, the cuff would end the loan that begins now once that day has come."""
    now = to_us(at)
    store.query(
        f"""UPDATE loan SET out_at = ?, back_at = ?, {LATER} WHERE cuff_id = ? AND person_id IS NULL AND out_at > ? AND
            NOT gone""",
        (now, now, now, cuffs.row_of(store, address), now),
    )


def begin_return(store: Store, cuff: str, at: datetime) -> Loan:
    """The cuff is back on the table: its span ends now. Goes on with a return that was begun before.

    A cuff that was never lent is taken into the stock the same way, without a borrower.
    """
    address = cuffs.need(store, cuff)
    with store.transaction():
        loan = current(store, address)
        if loan is not None and loan.step in (Step.OUT, Step.WAITING) and loan.borrower and loan.out_at > at:
            raise RefusedByStore(
                f"{cuff} was lent on {loan.out_at:%Y-%m-%d %H:%M} UTC, which has not come: the clock was wrong then, "
                "or is now. Where it is right now, say when the cuff was lent: `loan back … --lent-at TIME`"
            )
        if loan is None:
            if state_of(store, address) is State.AVAILABLE and not loan_doubts.sent_since_marked(store, address, at):
                raise RefusedByStore(f"{cuff} is available; there is nothing to take back")
            row = _insert(store, address, None, (), at, at, Step.WAITING)
            set_state(store, address, State.RETURNED, at)
            return get(store, row)
        begun_ahead = loan.back_at is not None and loan.back_at > at + loan_doubts.SLACK  # it is back by now
        if loan.back_at is None or begun_ahead:
            _end(store, loan, at)
        if loan.step is Step.OUT:
            set_state(store, address, State.RETURNED, at)
        return get(store, loan.row)


def _end(store: Store, loan: Loan, at: datetime) -> None:
    for span in _spans(store, loan):
        slot_spans.end(store, span.row, at, at)
    store.query(
        f"""UPDATE loan SET out_at = min(out_at, ?1), back_at = ?1, step = CASE step WHEN ?2 THEN ?3 ELSE step END,
            {LATER} WHERE id = ?""",
        (to_us(at), Step.OUT, Step.WAITING, to_us(at), loan.row),
    )


def _spans(store: Store, loan: Loan) -> list[slot_spans.Span]:
    """The slots that are lent by this loan, which ends when it does."""
    of_borrower = slot_spans.every(store, cuff=loan.cuff, person=loan.borrower_row)
    return [span for span in of_borrower if loan.borrower and span.strict and span.until == loan.back_at]


def set_lent_at(store: Store, cuff: str, out_at: datetime, at: datetime) -> None:
    """A loan that was begun under a wrong clock: it began then. Raises StoreError for a cuff that is not on loan."""
    address = cuffs.need(store, cuff)
    with store.transaction():
        loan = current(store, address)
        if loan is None or not (loan.step is Step.OUT or (loan.step is Step.WAITING and loan.out_at > at)):
            raise RefusedByStore(f"{cuff} is not on loan")
        if out_at > at:
            raise RefusedByStore(f"{cuff} was not lent on {out_at:%Y-%m-%d %H:%M} UTC: that has not come")
        if (here := loan_doubts.looked_after(store, address, loan.row, out_at, at)) is not None:
            raise RefusedByStore(
                f"{cuff} was not on loan on {out_at:%Y-%m-%d %H:%M} UTC: it was here, and looked after, on "
                f"{here:%Y-%m-%d %H:%M} UTC; it was lent after that"
            )
        for span in _spans(store, loan):
            slot_spans.set_beginning(store, span.row, out_at, at)
        store.query(f"UPDATE loan SET out_at = ?, {LATER} WHERE id = ?", (meant_us(out_at), to_us(at), loan.row))
        audit.record(store, at, "loan's beginning put right", {"cuff": address, "to": out_at.isoformat()})


def advance(store: Store, loan: Loan, step: Step, at: datetime) -> Loan:
    with store.transaction():
        store.query(f"UPDATE loan SET step = ?, {LATER} WHERE id = ?", (step, to_us(at), loan.row))
        return get(store, loan.row)


def note_check(store: Store, loan: Loan, key: str, at: datetime) -> Loan:
    """Somebody looked, and it is so."""
    return set_checks(store, loan, lambda checks: {**checks, key: at.isoformat(timespec="seconds")}, at)


SAVED_RECORDS, SAVED_READINGS = _SAVED = "saved records", "saved readings"
"""Among the checks of a return: how many records it had, and the borrower readings, when its papers were written."""


def forget_check(store: Store, loan: Loan, key: str, at: datetime) -> Loan:
    """It has to be looked at again."""
    return set_checks(store, loan, lambda checks: {name: checks[name] for name in checks if name != key}, at)


def set_checks(store: Store, loan: Loan, change: Callable[[dict[str, Any]], dict[str, Any]], at: datetime) -> Loan:
    with store.transaction():
        checks = change(get(store, loan.row).checks)  # another desk may have gone on with it
        store.query(f"UPDATE loan SET checks = ?, {LATER} WHERE id = ?", (json.dumps(checks), to_us(at), loan.row))
        return get(store, loan.row)


def make_available(store: Store, loan: Loan, at: datetime) -> None:
    """The end of a return: the loan is closed and the cuff may be lent."""
    with store.transaction():
        advance(store, loan, Step.CLOSED, at)
        set_state(store, loan.cuff, State.AVAILABLE, at)
        audit.record(store, at, "returned", {"cuff": loan.cuff, "checks": dict(loan.checks)}, loan.borrower_row)


def current(store: Store, address: str) -> Loan | None:
    """The loan or return of this cuff that is not closed."""
    row = store.scalar(
        """SELECT loan.id FROM loan JOIN cuff ON cuff.id = cuff_id WHERE address = ? AND step <> ? AND
            NOT gone ORDER BY out_at DESC, loan.id DESC LIMIT 1""",  # several only where stations were merged
        (address, Step.CLOSED),
    )
    return None if row is None else get(store, row)


def get(store: Store, row: int) -> Loan:
    found = store.row(
        f"""SELECT loan.id, address, {CALLED}, slots, out_at, back_at, step, checks, person_id FROM loan
            JOIN cuff ON cuff.id = cuff_id LEFT JOIN person ON person.id = person_id WHERE loan.id = ?""",
        (row,),
    )
    if found is None:
        raise RefusedByStore(f"loan {row} is no more in this store (its borrower was erased?); begin again")
    number, address, borrower, slots, out_at, back_at, step, checks, person = found
    return Loan(
        row=number,
        cuff=address,
        borrower=borrower,
        slots=tuple(slot_spans.slot_from_row(slot) for slot in from_json("loan", "slots", slots)),
        out_at=from_us(out_at),
        back_at=None if back_at is None else from_us(back_at),
        step=word_of(Step, step),
        checks=from_json("loan", "checks", checks),
        borrower_row=person,
    )


def _insert(
    store: Store,
    address: str,
    person: int | None,
    slots: tuple[slot_spans.Slot, ...],
    out_at: datetime,
    back_at: datetime | None,
    step: Step,
) -> int:
    row = store.query(
        """INSERT INTO loan (uid, cuff_id, person_id, slots, out_at, back_at, step, checks, changed_at)
            VALUES (?, ?, ?, ?, ?, ?, ?, '{}', ?)""",
        (
            new_uid(),
            cuffs.row_of(store, address),
            person,
            json.dumps([slot_spans.slot_to_row(slot) for slot in slots]),
            to_us(out_at),
            optional_us(back_at),
            step,
            to_us(out_at),
        ),
    ).lastrowid
    assert row is not None
    return row

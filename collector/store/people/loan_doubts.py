"""What speaks against a loan: that its cuff sent something, was here, or is marked."""

from datetime import datetime, timedelta

from collector.store.database import Store
from collector.store.errors import RefusedByStore
from collector.store.instants import from_us, to_us
from collector.store.journal import cuffs
from collector.store.journal.stations import ARRIVED
from collector.store.people.loan_states import CHECKS, State

SLACK = timedelta(minutes=2)
_NAMED = 20  # of what is to be said; the rest when these are


def sent_since_marked(store: Store, address: str, at: datetime) -> int:
    """How many records the cuff sent since its state changed last, without those of a clock that ran ahead."""
    return int(
        store.scalar(
            f"""SELECT count(*) FROM payload JOIN cuff ON cuff.id = cuff_id JOIN cuff_state USING
                (cuff_id) WHERE address = ? AND {ARRIVED} > cuff_state.changed_at AND {ARRIVED} <= ?""",
            (address, to_us(at + SLACK)),
        )
    )


def marked(store: Store, address: str) -> str:
    """As what a returned cuff is marked, and why where somebody said so; '' for one that was only returned."""
    state, reason = store.row(
        "SELECT state, reason FROM cuff_state JOIN cuff ON cuff.id = cuff_id WHERE address = ?", (address,)
    ) or (State.RETURNED, None)
    if state == State.RETURNED:
        return ""
    why = " ".join((reason or "").split())  # a form sends line ends otherwise than it was sent them
    return f"{state}: {why}" if why and why not in [check.question for check in CHECKS] else state


def refuse_what_was_later(store: Store, cuff: str, address: str, at: datetime, *, set_by_network: bool) -> None:
    """By a clock that is behind, what the cuff sent before would be the borrower's; by one that is right again, one day
    what was dated ahead. Raises StoreError."""
    row, now = cuffs.row_of(store, address), to_us(at + SLACK)
    newest = store.scalar(
        """SELECT max(at) FROM (
            SELECT max(arrived_at) AS at FROM payload WHERE cuff_id = ?1 AND clock_id IS NULL
            UNION ALL SELECT max(opened_at) FROM visit WHERE cuff_id = ?1 AND clock_id IS NULL)""",
        (row,),
    )
    if newest is None or newest <= now:
        return
    if not set_by_network:
        raise RefusedByStore(
            f"{cuff} was heard from on {from_us(newest):%Y-%m-%d %H:%M} UTC, but this machine's clock shows "
            f"{at:%Y-%m-%d %H:%M}: set the clock right, then lend the cuff"
        )
    ahead = store.query(
        """SELECT substr(reading_id, 1, 8) FROM reading WHERE cuff_id = ? AND received_at > ? AND NOT EXISTS (SELECT 1
            FROM claim JOIN payload ON payload.uid = payload_uid WHERE holds AND payload.id = reading.payload_id)
            ORDER BY taken_at""",
        (row, now),
    ).fetchall()
    if ahead:
        ids = " ".join(one for (one,) in ahead[:_NAMED])
        raise RefusedByStore(
            f"{cuff} sent {len(ahead)} reading{'s' * (len(ahead) != 1)} while this machine's clock ran ahead, which "
            "may become the borrower's: "
            f"say whose they are (`quietcuff person claim NAME {ids}`, or `quietcuff person release {ids}`), then lend "
            "the cuff"
        )


def looked_after(store: Store, address: str, loan: int, since: datetime, until: datetime) -> datetime | None:
    """When the cuff was last here without a borrower, before this loan (row) and between these times; None: never."""
    at = store.scalar(
        """SELECT max(out_at) FROM loan WHERE cuff_id = ? AND id < ? AND person_id IS NULL AND out_at > ? AND
            out_at <= ? AND NOT gone""",
        (cuffs.row_of(store, address), loan, to_us(since), to_us(until)),
    )
    return None if at is None else from_us(at)

"""Whose readings are, as far as the store is concerned: what deciding it needs, and the result."""

from collections.abc import Iterable, Sequence
from dataclasses import dataclass

from collector.store.database import Store
from collector.store.instants import EVER
from collector.store.readings.said import LAST_CLAIM_LAST


@dataclass(frozen=True, slots=True)
class Owned:
    """A reading as far as its owner is concerned. taken_at: microseconds UTC; claimed: somebody said whose it is."""

    row: int
    cuff_id: int
    slot: int | None
    taken_at: int
    uncertainty_s: float | None
    person: int | None
    mark: str | None
    claimed: bool
    claimant: int | None


def owned(
    store: Store, *, reading: int | None = None, cuff_id: int | None = None, since: int | None = None
) -> list[Owned]:
    """One reading (by its row), or a cuff's received since then (microseconds UTC)."""
    where, values = "reading.id = ?", [reading]
    if cuff_id is not None:
        where, values = "reading.cuff_id = ? AND received_at >= ?", [cuff_id, EVER if since is None else since]
    said: dict[int, tuple[bool, int | None]] = {}
    if store.scalar("SELECT 1 FROM claim LIMIT 1"):
        said = {
            row: (bool(holds), person)
            for row, holds, person in store.query(
                f"""SELECT reading.id, holds, claim.person_id FROM reading JOIN outcome ON outcome.reading = reading.id
                    JOIN payload ON payload.id = outcome.payload_id JOIN claim ON claim.payload_uid = payload.uid
                    WHERE {where} ORDER BY {LAST_CLAIM_LAST}""",
                values,
            )
        }
    claims = {row: person for row, (holds, person) in said.items() if holds}
    rows = store.query(
        f"SELECT id, cuff_id, slot, taken_at, uncertainty_s, person_id, owner_mark FROM reading WHERE {where}", values
    ).fetchall()
    return [
        Owned(
            row=row,
            cuff_id=cuff,
            slot=slot,
            taken_at=at,
            uncertainty_s=uncertainty,
            person=person,
            mark=mark,
            claimed=row in claims,
            claimant=claims.get(row),
        )
        for row, cuff, slot, at, uncertainty, person, mark in rows
    ]


def set_owners(store: Store, owners: Iterable[tuple[int, int | None, str | None]]) -> None:
    """(reading's row, person's row, mark) of each whose owner changes."""
    changes = [(person, mark, row) for row, person, mark in owners]
    with store.transaction():
        store.many("UPDATE reading SET person_id = ?, owner_mark = ? WHERE id = ?", changes)


def claims(store: Store, cuff_id: int, payloads: Sequence[int] = ()) -> list[tuple[int, bool, int | None]]:
    """(payload's row, whether it holds, person's row or None): what was said of a cuff's payloads, or of these; the
    last word last."""
    these = f"AND payload.id IN ({', '.join('?' * len(payloads))})" if payloads else ""
    query = f"""SELECT payload.id, holds, claim.person_id FROM claim JOIN payload ON payload.uid = claim.payload_uid
        WHERE cuff_id = ? {these} ORDER BY {LAST_CLAIM_LAST}"""
    return store.query(query, (cuff_id, *payloads)).fetchall()

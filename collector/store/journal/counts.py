"""How much the journal holds, and what in it could not be understood."""

from collections.abc import Iterator
from dataclasses import dataclass
from datetime import datetime

from collector.store.columns import word_of
from collector.store.database import Store
from collector.store.instants import shown_us
from collector.store.values import OutcomeKind


@dataclass(frozen=True, slots=True)
class Trouble:
    """A payload that gave no reading: undecodable, or part of a record whose rest never came."""

    payload: int
    cuff: str
    characteristic: int
    value: bytes
    arrived_at: datetime
    kind: OutcomeKind
    reason: str | None


def troubles(store: Store) -> Iterator[Trouble]:
    """Payloads kept without a reading, oldest first. Segments that became part of a reading are not among them."""
    rows = store.query(
        """SELECT payload.id, address, characteristic, value, arrived_at, kind, reason FROM outcome
        JOIN payload ON payload.id = payload_id JOIN cuff ON cuff.id = cuff_id
        WHERE kind = 'undecodable' OR (kind = 'segment' AND reading IS NULL) ORDER BY payload.id"""
    )
    for payload, cuff, characteristic, value, arrived, kind, reason in rows:
        yield Trouble(
            payload=payload,
            cuff=cuff,
            characteristic=characteristic,
            value=value,
            arrived_at=shown_us(arrived),
            kind=word_of(OutcomeKind, kind),
            reason=reason,
        )


@dataclass(frozen=True, slots=True)
class Counts:
    payloads: int
    readings: int
    repeats: int  # sightings beyond each reading's first
    undecodable: int
    waiting: int  # not interpreted yet


def counts(store: Store) -> Counts:
    return Counts(
        payloads=store.scalar("SELECT count(*) FROM payload"),
        readings=store.scalar("SELECT count(*) FROM reading"),
        repeats=store.scalar("SELECT coalesce(sum(sightings - 1), 0) FROM reading"),
        undecodable=store.scalar("SELECT count(*) FROM outcome WHERE kind = 'undecodable'"),
        waiting=store.scalar("SELECT count(*) FROM payload WHERE id NOT IN (SELECT payload_id FROM outcome)"),
    )

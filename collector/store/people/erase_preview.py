"""What of a store is a person's, and goes with them."""

from dataclasses import dataclass

from collector.store import people
from collector.store.database import Store
from collector.store.errors import RefusedByStore
from collector.store.journal.cuffs import HAND
from collector.store.journal.stations import ARRIVED
from collector.store.people.slot_spans import HELD
from collector.store.values import CORRECTS


@dataclass(frozen=True, slots=True)
class Erasure:
    """What erasing a person takes away. unsure: readings of a loan of theirs that were set aside, which go too.

    names: every name they had; traces: octets that must not be in the file afterwards.
    """

    person: str
    readings: int
    unsure: int
    payloads: int
    notes: int
    names: tuple[str, ...] = ()
    traces: tuple[bytes, ...] = ()


_OF_PERSON = """
    SELECT payload.uid FROM reading JOIN outcome ON outcome.reading = reading.id
    JOIN payload ON payload.id = outcome.payload_id WHERE person_id = ?1
"""


def _came_with_loan(arrived: str) -> str:
    """While the cuff was with them, or on its way back into the stock. arrived: a column."""
    return f"""
        span.strict AND EXISTS (SELECT 1 FROM loan WHERE loan.cuff_id = span.cuff_id AND NOT loan.gone
            AND loan.person_id = span.person_id AND {arrived} >= out_at
            AND (step <> 'closed' OR {arrived} <= loan.changed_at))
        AND NOT EXISTS (SELECT 1 FROM {HELD} AS other WHERE other.cuff_id = span.cuff_id AND other.strict
            AND other.person_id <> span.person_id AND {arrived} >= other.since
            AND (other.until IS NULL OR {arrived} < other.until))
    """


_CLAIMED = """
    EXISTS (SELECT 1 FROM payload JOIN claim ON payload_uid = payload.uid AND holds
        WHERE payload.id = reading.payload_id)
"""
_MAY_BE_WITHIN = """
    (uncertainty_s IS NULL OR (since IS NULL OR taken_at + uncertainty_s * 1000000 >= since)
        AND (until IS NULL OR taken_at - uncertainty_s * 1000000 < until))
"""
_UNSURE = f"""
    FROM reading JOIN {HELD} AS span ON span.cuff_id = reading.cuff_id AND span.person_id = ?1 AND span.strict
    WHERE reading.person_id IS NULL AND (span.slot = -2 OR span.slot = coalesce(reading.slot, -1))
    AND (owner_mark = 'owner unsure' AND (since IS NULL OR taken_at >= since) AND (until IS NULL OR taken_at < until)
        OR {_MAY_BE_WITHIN} AND NOT {_CLAIMED} AND {_came_with_loan("received_at")})
"""
# With what stands in their place: it is nobody's as they are.
_OF_LOAN = f"""
    SELECT payload.uid FROM outcome JOIN payload ON payload.id = outcome.payload_id WHERE outcome.reading IN (
    WITH RECURSIVE unsure (id, reading_id) AS (SELECT reading.id, reading_id {_UNSURE}
        UNION SELECT instead.id, instead.reading_id FROM unsure JOIN reading instead
        ON instead.note = '{CORRECTS} ' || unsure.reading_id AND instead.person_id IS NULL
        AND instead.cuff_id = (SELECT id FROM cuff WHERE address = '{HAND}'))
    SELECT id FROM unsure)
"""
_WITHOUT_READING = f"""
    SELECT payload.uid FROM {HELD} AS span JOIN payload ON payload.cuff_id = span.cuff_id
    JOIN outcome ON outcome.payload_id = payload.id WHERE person_id = ?1
    AND outcome.reading IS NULL AND outcome.kind IN ('undecodable', 'segment', 'other')
    AND ((since IS NULL OR {ARRIVED} >= since) AND (until IS NULL OR {ARRIVED} < until)
        OR {_came_with_loan(ARRIVED)})
"""
_CONTESTED = f"""
    SELECT count(DISTINCT reading.id) {_UNSURE} AND owner_mark = 'owner unsure' AND EXISTS (
        SELECT 1 FROM {HELD} AS other WHERE other.cuff_id = span.cuff_id AND other.person_id <> ?1
        AND (other.slot = coalesce(reading.slot, -1) OR other.slot = -2 AND other.strict)
        AND (other.since IS NULL OR taken_at >= other.since) AND (other.until IS NULL OR taken_at < other.until))
"""
GOING = (_OF_PERSON, _OF_LOAN, _WITHOUT_READING)


def payloads_of(store: Store, person: int) -> set[bytes]:
    """By their uids, those that are a person's (a row); nothing that lies in somebody else's time as well."""
    sure = GOING[:1] if store.scalar(_CONTESTED, (person,)) else GOING
    return {uid for those in sure for (uid,) in store.query(those, (person,))}


def preview(store: Store, name: str) -> Erasure:
    """What would go. Reads only. Raises StoreError for no such person, and for what may be another's."""
    person = people.need(store, name)
    if contested := store.scalar(_CONTESTED, (person.row,)):
        raise RefusedByStore(
            f"{contested} reading{'s lie' if contested != 1 else ' lies'} in a loan of {person.name} and in somebody "
            "else's time of the slot: say first "
            "whose they are (`quietcuff person claim`), or until when it was whose (`quietcuff loan back`, then "
            "`quietcuff person end … --at TIME`)"
        )
    count = "SELECT count(DISTINCT reading.id)"
    return Erasure(
        person=person.name,
        readings=store.scalar("SELECT count(*) FROM reading WHERE person_id = ?", (person.row,)),
        unsure=store.scalar(f"{count} {_UNSURE}", (person.row,)),
        payloads=store.scalar(f"SELECT count(*) FROM ({' UNION '.join(GOING)})", (person.row,)),
        notes=store.scalar("SELECT count(*) FROM note WHERE person_id = ?", (person.row,)),
    )

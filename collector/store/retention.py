"""Payloads that no reading rests on: counted, and taken away for good."""

from dataclasses import dataclass
from datetime import datetime

from collector.store.columns import word_of
from collector.store.database import Store
from collector.store.instants import from_us, to_us
from collector.store.sightings import SEEN
from collector.store.values import OutcomeKind

BATCH = 500
"""Payloads a transaction: the listener never waits long for its turn."""

# A copy goes only once its reading's every sighting is old: an unstamped record is recognised by its neighbours.
_RESTED_ON_BY_NONE = """
    SELECT payload.id, kind, payload.uid, first.uid AS copy_of FROM payload
    JOIN outcome ON outcome.payload_id = payload.id LEFT JOIN reading ON reading.id = outcome.reading
    LEFT JOIN payload AS first ON first.id = reading.payload_id
    WHERE payload.arrived_at < ?1 AND payload.clock_id IS NULL
    AND payload.uid NOT IN (SELECT payload_uid FROM claim UNION SELECT payload_uid FROM strike)
    AND CASE WHEN outcome.reading IS NULL THEN kind IN ('undecodable', 'segment', 'pressure', 'other')
        ELSE kind = 'reading' AND payload.id <> first.id AND payload.value = first.value
        AND payload.characteristic = first.characteristic
        AND NOT EXISTS (SELECT 1 FROM outcome AS other JOIN payload AS sighting ON sighting.id = other.payload_id
            WHERE other.reading = reading.id AND (other.kind <> 'reading' OR sighting.arrived_at >= ?1))
        END
"""


@dataclass(frozen=True, slots=True)
class Spare:
    """Payloads of one kind that no reading rests on."""

    kind: OutcomeKind
    payloads: int
    octets: int
    oldest: datetime


def spare(store: Store, before: datetime) -> list[Spare]:
    """What arrived before then and could go. Reads only."""
    rows = store.query(
        f"""SELECT kind, count(*), sum(length(value)), min(arrived_at) FROM ({_RESTED_ON_BY_NONE}) AS going
            JOIN payload ON payload.id = going.id GROUP BY kind""",
        (to_us(before),),
    )
    return [
        Spare(word_of(OutcomeKind, kind), count, octets, from_us(oldest))
        for kind, count, octets, oldest in rows.fetchall()
    ]


def take_away(store: Store, before: datetime) -> list[OutcomeKind]:
    """A batch of them, in the caller's transaction: the kind of each. A merge does not bring them back; where another
    station has one, what is said of it there is said of the one that stays."""
    store.query("PRAGMA secure_delete=ON")
    rows = store.query(f"{_RESTED_ON_BY_NONE} LIMIT {BATCH}", (to_us(before),)).fetchall()
    for payload, _, uid, copy_of in rows:
        store.query(
            f"""UPDATE reading SET sightings = sightings - (SELECT {SEEN} FROM payload WHERE id = ?1)
               WHERE id = (SELECT reading FROM outcome WHERE payload_id = ?1)""",
            (payload,),
        )
        store.query("DELETE FROM outcome WHERE payload_id = ?", (payload,))
        store.query("UPDATE thinned SET copy_of = ? WHERE copy_of = ?", (copy_of, uid))
        store.query("INSERT OR REPLACE INTO thinned VALUES (?, ?)", (uid, copy_of))
        store.query("DELETE FROM payload WHERE id = ?", (payload,))
    return [word_of(OutcomeKind, kind) for _, kind, *_ in rows]

"""What bears on a payload that has just come, fetched at once; what becomes of it, written at once."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from collector.store.database import Store
from collector.store.instants import EVER
from collector.store.journal import derivation, payloads, stations, visit_facts
from collector.store.journal.payloads import Payload
from collector.store.journal.stations import UnsureClock
from collector.store.journal.visit_facts import ClockValue, Told
from collector.store.people import slot_spans
from collector.store.readings import owners, renewed_bonds, write
from collector.store.readings.write import Result, Row


@dataclass(frozen=True, slots=True)
class Bearing:
    """done: what became of the payload, where it was taken up before. latest: when the last of its cuff came that was
    taken up (microseconds UTC). clock_values: the latest first, all since it came and some before; spans: as
    `slot_spans.bounds_of_cuff`; next_row: of a new reading."""

    payload: Payload
    done: Result | None
    latest: int | None
    unsure_clocks: Sequence[UnsureClock]
    zones: dict[int, list[tuple[int, str]]]
    told: Told
    clock_values: Sequence[ClockValue]
    spans: Sequence[tuple[int, int, int | None, int | None, bool]]
    next_row: int


@dataclass(frozen=True, slots=True)
class AlreadyStored:
    """What a payload may be a sighting or a part of: readings by their ids, outcomes by the row of the payload.
    claims: as `owners.claims`."""

    rows: Mapping[str, Row]
    results: Mapping[int, Result]
    claims: Sequence[tuple[int, bool, int | None]]


def bearing(store: Store, row: int, within_us: int, clock_values: int) -> Bearing | None:
    """None where there is no payload of that row. within_us: so long before it other payloads may matter.
    clock_values: how many from before it."""
    payload = payloads.get(store, row)
    if payload is None:
        return None
    cuff_id, at = payload.cuff_id, payload.arrived_at
    # While our own clock is unsure nobody can say here which values came before.
    since = at if payload.clock_id is None else EVER
    return Bearing(
        payload=payload,
        done=write.result_of(store, row),
        latest=derivation.latest_arrival(store, cuff_id),
        unsure_clocks=stations.unsure_clocks(store),
        zones=stations.zones(store),
        told=visit_facts.told(store, cuff_id, at - within_us, at),
        clock_values=visit_facts.clock_values_since(store, cuff_id, since, clock_values),
        spans=slot_spans.bounds_of_cuff(store, cuff_id),
        next_row=write.next_row(store),
    )


def already_stored(
    store: Store, cuff_id: int, stamp: str | None, ids: Sequence[str], parts: Sequence[int]
) -> AlreadyStored:
    """The readings with these ids and the cuff's with this stamp. parts: rows of payloads, the one that came first."""
    return AlreadyStored(
        rows=write.rows_like(store, cuff_id, stamp, ids),
        results={row: result for row in parts[1:] if (result := write.result_of(store, row))},
        claims=owners.claims(store, cuff_id, parts),
    )


def taken_up(
    store: Store, cuff_id: int, at: int, stored: AlreadyStored, rows: Mapping[str, Row], results: Mapping[int, Result]
) -> None:
    """A payload that came then (microseconds UTC) was taken up: readings and outcomes, as they are to be."""
    write.write(store, (stored.rows, rows), (stored.results, results))
    derivation.note_taken_up(store, cuff_id, at)
    for new in [row for reading_id, row in rows.items() if reading_id not in stored.rows]:
        renewed_bonds.mark(store, cuff_id, new.id)

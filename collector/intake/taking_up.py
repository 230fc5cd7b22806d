"""Payloads of one cuff taken up: fetched once, worked out on values, and what changed written at once.

One payload that has just come, and all that a cuff ever sent, take the same steps: what each says, whether that is
known, when it was taken, whose it is.
"""

from collections.abc import Iterable, Mapping, Sequence
from operator import itemgetter

from collector.intake.cuff_facts import cuff_facts
from collector.intake.owner import OwnerSpan, owner, spans_of_cuff
from collector.intake.reading_ids import MEASUREMENT_US
from collector.intake.repeats import Known, PayloadOutcome, Sighting
from collector.intake.sayings import SEGMENTS_WITHIN_US, Arrived, Saying, placed, sayings
from collector.intake.time.arrival_times import ArrivalTimes
from collector.intake.time.place import VALUES_BEFORE, InHand, place_one, place_since
from collector.store.database import Store
from collector.store.instants import EVER
from collector.store.journal import payloads, visit_facts
from collector.store.journal.payloads import Payload
from collector.store.readings import just_come, owners, write
from collector.store.readings.just_come import Bearing
from collector.store.readings.times import AS_WAS, Placeable, Time
from collector.store.readings.write import Row
from collector.store.values import OutcomeKind
from parsers.uuids import Uuid


def take_up(store: Store, found: Bearing, arrived: Arrived, times: ArrivalTimes) -> PayloadOutcome:
    """The one that has come last of its cuff. Call inside a transaction."""
    payload, facts = found.payload, cuff_facts(found.told)
    segments: Sequence[Payload] = ()
    if (at_its_place := placed(payload, facts)).characteristic == Uuid.BLOOD_PRESSURE_RECORD:
        before = payloads.same_kind_before(store, at_its_place, SEGMENTS_WITHIN_US)
        segments = [one for one in before if one.row != payload.row]
    (saying,) = sayings([arrived], facts, segments)
    sightings = _sightings(store, saying)
    ids = [one for one in (saying.reading_id, *(sighting.reading_id for sighting in sightings)) if one]
    stamp = saying.content.stamp if saying.content else saying.imported[0].stamp if saying.imported else None
    earlier = saying.segments if saying.same_as is None else (saying.same_as, *saying.segments)
    stored = just_come.already_stored(store, payload.cuff_id, stamp, ids, (payload.row, *earlier))
    known = Known(facts, times, found.next_row, rows=stored.rows, results=stored.results, sightings=sightings)
    reading_id = known.take(saying)
    if reading_id is not None and (first := known.fresh.get(reading_id)):
        row = known.rows[reading_id]
        time = place_one(found.clock_values, _placeable(row, first), times)
        _, holds, person = stored.claims[-1] if stored.claims else (0, False, None)
        claims = {row.id: person} if holds else {}
        known.rows[row.reading_id] = _finished(row, time, claims, [OwnerSpan(*bounds) for bounds in found.spans])
    just_come.taken_up(store, payload.cuff_id, arrived.at, stored, known.rows, known.results)
    _, kind, number, reason = known.results[payload.row]
    fresh = reading_id in known.fresh
    return PayloadOutcome(OutcomeKind(kind), number, reading_id, fresh=fresh, reason=reason)


def take_up_anew(
    store: Store, cuff_id: int, batch: Sequence[Arrived], times: ArrivalTimes
) -> Iterable[tuple[Row, Row]]:
    """All that a cuff ever sent, in order of arrival, as if it came now. Call inside a transaction.

    Returns the readings that changed, as they were and as they are.
    """
    rows, results = write.rows_of_cuff(store, cuff_id), write.results_of_cuff(store, cuff_id)
    came = [one.payload.arrived_at for one in batch]
    facts = cuff_facts(visit_facts.told(store, cuff_id, min(came, default=EVER), max(came, default=EVER)))
    said = sayings(batch, facts)
    new = [one.reading_id for one in said if one.reading_id is not None and one.reading_id not in rows]
    known = Known(
        facts,
        times,
        write.next_row(store),
        numbers={reading_id: row.id for reading_id, row in rows.items()},
        elsewhere=write.elsewhere(store, cuff_id, new),
    )
    for saying in said:
        known.take(saying)
    for one, row in known.rows.items():
        if row.clock == AS_WAS and (stood := rows.get(one)):  # where what it corrects was moved to
            known.rows[one] = row._replace(taken_at=stood.taken_at, basis=stood.basis)
    in_order = sorted(
        ((row, known.fresh[reading_id]) for reading_id, row in known.rows.items()),
        key=lambda one: (one[0].received_at, one[1].number, one[1].uid),
    )
    placeable = InHand([_placeable(row, first) for row, first in in_order])
    values = visit_facts.clock_values_since(store, cuff_id, EVER, VALUES_BEFORE)
    moved, _ = place_since(values, placeable, times, EVER)
    found = {one.reading.reading_id: one.time for one in moved}
    spans = spans_of_cuff(store, cuff_id)
    last: dict[int, tuple[bool, int | None]] = {}
    for payload, holds, person in owners.claims(store, cuff_id):
        if (result := known.results.get(payload)) and result.reading is not None:
            last[result.reading] = (holds, person)
    claims = {reading: person for reading, (holds, person) in last.items() if holds}
    after = {reading_id: _finished(row, found.get(reading_id), claims, spans) for reading_id, row in known.rows.items()}
    return write.write(store, (rows, after), (results, known.results))


def _sightings(store: Store, saying: Saying) -> list[Sighting]:
    """What came lately with the same content as what bears no stamp."""
    if not saying.by_it_alone or saying.content is None:
        return []
    found = payloads.unstamped_lately(store, saying.arrived.payload, saying.content.identity, MEASUREMENT_US)
    return [Sighting(saying.content.identity, *one) for one in found]


def _placeable(row: Row, first: Payload) -> Placeable:
    return Placeable._make((*_bearing_on_time(row), first.clock_id, row.time))


_BEARING_ON_TIME = ("id", "reading_id", "slot", "stamp_us", "clock", "received_at", "visit_id", "zone")
_bearing_on_time = itemgetter(*map(Row._fields.index, _BEARING_ON_TIME))


def _finished(row: Row, time: Time | None, claims: Mapping[int, int | None], spans: list[OwnerSpan]) -> Row:
    """With its time, where that was found anew, and its owner. claims: by the reading's row."""
    time = time or row.time
    if row.id in claims:
        return row.decided(time, claims[row.id], None)
    return row.decided(time, *owner(row.slot, time.taken_at, time.uncertainty_s, spans))

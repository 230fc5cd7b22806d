"""Step one of intake: what a payload says, and whether the reading it tells of is known already.

Payloads are taken in order of arrival. Whatever is found depends on that order and the payloads alone, so
that doing it one by one or all at once gives the same readings with the same ids.
"""

import json
from dataclasses import dataclass, replace
from datetime import datetime

from collector.intake.decode import Content, Pressure, Undecodable, decode
from collector.intake.reading_ids import MEASUREMENT_US, recorded_id, stamped_id, unstamped_id
from collector.intake.sources.own_export import IMPORTED_CHARACTERISTIC, take_up, zone_like
from collector.intake.time.zones import zone_of
from collector.store.database import Store
from collector.store.instants import to_us
from collector.store.journal import payloads, stations, visit_facts
from collector.store.journal.payloads import Payload
from collector.store.readings import write
from collector.store.readings.acceptable import FIRST_INSTANT, LAST_INSTANT
from collector.store.readings.write import Draft
from collector.store.values import OutcomeKind
from parsers.errors import ParseError
from parsers.measurement import Feature, parse_feature
from parsers.record import Gap, Reassembler, Record
from parsers.uuids import Uuid

SAME_STAMP = "same stamp, other values"


@dataclass(frozen=True, slots=True)
class Outcome:
    """What became of one payload.

    fresh: the reading was not known before.
    reading: its row; reading_id: its id.
    """

    kind: OutcomeKind
    reading: int | None = None
    reading_id: str | None = None
    fresh: bool = False
    reason: str | None = None


def recognise(store: Store, payload: Payload, at: int, zone: str) -> Outcome:
    """Decode one payload, find or make its reading, and note the outcome. at: arrival, microseconds UTC."""
    if not FIRST_INSTANT <= at < LAST_INSTANT:
        outcome = Outcome(OutcomeKind.UNDECODABLE, reason="it arrived in no year that can be meant")
        write.set_outcome(store, payload.row, outcome.kind, None, outcome.reason)
        return outcome
    if payload.characteristic == payloads.UNPLACED and payload.handle is not None:
        place = visit_facts.characteristic_at(store, payload.cuff_id, payload.handle, payload.arrived_at)
        if not place:
            outcome = _unplaced(payload.handle, told=place is not None)
            write.set_outcome(store, payload.row, outcome.kind, None, outcome.reason)
            return outcome
        payload = replace(payload, characteristic=place)
    if payload.characteristic == Uuid.BLOOD_PRESSURE_RECORD:
        return _segment(store, payload, at, zone)
    if payload.characteristic == IMPORTED_CHARACTERISTIC:
        outcome = _imported(store, payload, zone)
    else:
        outcome = _settle(store, payload, at, zone, decode(payload.characteristic, payload.value), None)
    write.set_outcome(store, payload.row, outcome.kind, outcome.reading, outcome.reason)
    return outcome


def _unplaced(handle: int, told: bool) -> Outcome:
    if told:
        return Outcome(OutcomeKind.OTHER, reason=f"no measurement stands at handle {handle:#06x}")
    reason = f"it came from handle {handle:#06x} before discovery could tell what stands there"
    return Outcome(OutcomeKind.UNDECODABLE, reason=f"{reason}; the next whole visit tells")


def _settle(
    store: Store, payload: Payload, at: int, zone: str, said: Content | Pressure | Undecodable, sequence: int | None
) -> Outcome:
    if isinstance(said, Undecodable):
        return Outcome(OutcomeKind.UNDECODABLE, reason=said.reason)
    if isinstance(said, Pressure):
        return Outcome(OutcomeKind.PRESSURE)
    if said.stamp is not None:
        reading_id = stamped_id(payload.cuff, said.stamp, said.clock, said.identity)
        known = write.row_of(store, reading_id)
    elif sequence is not None:
        reading_id = recorded_id(payload.cuff, sequence, said.identity)
        known = write.row_of(store, reading_id)
    else:
        reading_id = unstamped_id(payload.cuff, said.identity, payload.uid)
        known = None
        if (lately := write.unstamped_before(store, payload, said.identity, MEASUREMENT_US)) is not None:
            known, reading_id = lately
    if known is not None:
        write.add_sighting(store, known)
        if said.by_hand is not None:
            write.fill_in(store, known, None if said.pulse is None else str(said.pulse), said.note)
        return Outcome(OutcomeKind.READING, known, reading_id)
    if said.by_hand is not None:
        zone = _written_zone(store, payload.station, said.by_hand, zone)
    row = write.insert_reading(store, _draft(store, payload, said, reading_id), payload, at, zone)
    _mark_equal_stamps(store, payload.cuff_id, said)
    return Outcome(OutcomeKind.READING, row, reading_id, fresh=True)


def _written_zone(store: Store, station: int, at: datetime, usual: str) -> str:
    """The zone whose clock the writer read: the one that holds at the station or, where that shows another time,
    one that held there before or since. A log may be taken in before anybody told the station its zone. A traveller's
    line keeps the offset it was written with, so that a morning stays a morning."""
    if _shows(usual, at):
        return usual
    for _, zone in stations.zones(store).get(station, ()):
        if _shows(zone, at):
            return zone
    try:
        return zone_like(at, usual)
    except ParseError:  # an offset that no zone of the world has
        return usual


def _shows(zone: str, at: datetime) -> bool:
    return at.astimezone(zone_of(zone)).utcoffset() == at.utcoffset()


def _imported(store: Store, payload: Payload, zone: str) -> Outcome:
    try:
        row, reading_id, fresh = take_up(store, payload, zone)
    except ParseError as error:
        return Outcome(OutcomeKind.UNDECODABLE, reason=str(error))
    return Outcome(OutcomeKind.READING, row, reading_id, fresh=fresh)


def _draft(store: Store, payload: Payload, said: Content, reading_id: str) -> Draft:
    marks = list(said.marks)
    if payload.encrypted is False and _bonded(store, payload):
        marks.append("unencrypted")
    feature = feature_at(store, payload.cuff_id, payload.arrived_at)
    numbers = (said.systolic, said.diastolic, said.mean, said.pulse)
    systolic, diastolic, mean, pulse = (None if number is None else str(number) for number in numbers)
    return Draft(
        reading_id=reading_id,
        slot=said.slot,
        systolic=systolic,
        diastolic=diastolic,
        mean=mean,
        unit=said.unit,
        pulse=pulse,
        status=said.status,
        status_raw=said.status_raw,
        assessed=None if feature is None else feature.checks(),
        stamp=said.stamp,
        stamp_us=said.stamp_us if said.by_hand is None else to_us(said.by_hand),
        clock="hand" if said.by_hand is not None else said.clock,
        content=said.identity,
        marks=tuple(sorted(marks)),
        note=said.note,
    )


def feature_at(store: Store, cuff_id: int, at: int, later: bool = True) -> Feature | None:
    """What the cuff can do: as last read before, else (`later`) as first read after; None if never."""
    value = visit_facts.read_before(store, cuff_id, Uuid.BLOOD_PRESSURE_FEATURE, at)
    if value is None and later:
        value = visit_facts.read_after(store, cuff_id, Uuid.BLOOD_PRESSURE_FEATURE, at)
    try:
        return None if value is None else parse_feature(value)
    except ParseError:
        return None


def _bonded(store: Store, payload: Payload) -> bool:
    text = visit_facts.bond_before(store, payload.cuff_id, payload.arrived_at)
    return text is not None and bool(json.loads(text)["bonded"])


def _mark_equal_stamps(store: Store, cuff_id: int, said: Content) -> None:
    """Equal stamp, different values: two readings, both marked."""
    if said.stamp is None or said.by_hand is not None:
        return
    twins = write.of_stamp(store, cuff_id, said.stamp, said.slot)
    for twin in twins if len(twins) > 1 else ():
        write.add_mark(store, twin, SAME_STAMP)


def _segment(store: Store, payload: Payload, at: int, zone: str) -> Outcome:
    """A segment of a stored record: with the last one the record is whole."""
    run = _run_of_segments(store, payload)
    if len(run) > 1 and run[-2].value == payload.value:
        earlier = write.outcome_of(store, run[-2].row)
        outcome = Outcome(OutcomeKind.SEGMENT, earlier[1] if earlier else None, reason="the same segment again")
    else:
        outcome = _join(store, payload, run, at, zone)
    write.set_outcome(store, payload.row, outcome.kind, outcome.reading, outcome.reason)
    return outcome


def _join(store: Store, payload: Payload, run: list[Payload], at: int, zone: str) -> Outcome:
    feature = feature_at(store, payload.cuff_id, payload.arrived_at, later=False)
    reassembler = Reassembler(None if feature is None else feature.e2e_crc)
    made: tuple[Record | Gap, ...] = ()
    for part in run:
        made = reassembler.feed(part.value)
    whole = next((item for item in made if isinstance(item, Record)), None)
    if whole is None:
        gap = next((item for item in made if isinstance(item, Gap)), None)
        return Outcome(OutcomeKind.SEGMENT, reason=gap.reason if gap else "the rest of the record did not come")
    if whole.crc_ok is False:
        outcome = Outcome(OutcomeKind.UNDECODABLE, reason=f"record {whole.sequence}: its check is wrong")
    else:
        first = run[0]
        outcome = _settle(
            store, first if len(run) > 1 else payload, at, zone, decode(whole.uuid, whole.value), whole.sequence
        )
    for part in run[:-1]:
        write.set_outcome(store, part.row, OutcomeKind.SEGMENT, outcome.reading, outcome.reason)
    return outcome


def _run_of_segments(store: Store, payload: Payload) -> list[Payload]:
    """This segment and those before it, back to the first of the record."""
    run: list[Payload] = []
    for part in payloads.same_kind_before(store, payload, 10 * MEASUREMENT_US):
        run.append(part)
        if part.value[:1] and part.value[0] & 1:
            break
    return run[::-1]

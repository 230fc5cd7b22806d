"""Step one of intake: what a payload says, and whether the reading it tells of is known already.

Payloads are taken in order of arrival. Whatever is found depends on that order and the payloads alone, so
that doing it one by one or all at once gives the same readings with the same ids.
"""

import json
from dataclasses import dataclass

from collector.intake.decode import Content, Pressure, Undecodable, decode
from collector.intake.reading_ids import MEASUREMENT_US, recorded_id, stamped_id, unstamped_id
from collector.intake.sources.own_export import IMPORTED_CHARACTERISTIC, take_up
from collector.store.database import Store
from collector.store.readings import write
from collector.store.readings.write import Draft, Heard
from parsers.errors import ParseError
from parsers.measurement import Feature, parse_feature
from parsers.record import Gap, Reassembler, Record
from parsers.uuids import Uuid

SAME_STAMP = "same stamp, other values"


@dataclass(frozen=True, slots=True)
class Outcome:
    """What became of one payload.

    kind: 'reading', 'segment', 'pressure', 'undecodable'. fresh: the reading was not known before.
    reading: its row; reading_id: its id.
    """

    kind: str
    reading: int | None = None
    reading_id: str | None = None
    fresh: bool = False
    reason: str | None = None


def recognise(store: Store, heard: Heard, at: int, zone: str) -> Outcome:
    """Decode one payload, find or make its reading, and note the outcome. at: arrival, microseconds UTC."""
    if heard.characteristic == Uuid.BLOOD_PRESSURE_RECORD:
        return _segment(store, heard, at, zone)
    if heard.characteristic == IMPORTED_CHARACTERISTIC:
        outcome = _imported(store, heard, zone)
    else:
        outcome = _settle(store, heard, at, zone, decode(heard.characteristic, heard.value), None)
    write.set_outcome(store, heard.payload, outcome.kind, outcome.reading, outcome.reason)
    return outcome


def _settle(
    store: Store, heard: Heard, at: int, zone: str, said: Content | Pressure | Undecodable, sequence: int | None
) -> Outcome:
    if isinstance(said, Undecodable):
        return Outcome("undecodable", reason=said.reason)
    if isinstance(said, Pressure):
        return Outcome("pressure")
    if said.stamp is not None:
        reading_id = stamped_id(heard.cuff, said.stamp, said.clock, said.identity)
        known = _by_id(store, reading_id)
    elif sequence is not None:
        reading_id = recorded_id(heard.cuff, sequence, said.identity)
        known = _by_id(store, reading_id)
    else:
        reading_id = unstamped_id(heard.cuff, said.identity, heard.uid)
        known = _lately(store, heard, said.identity)
    if known is not None:
        write.add_sighting(store, known[0])
        return Outcome("reading", known[0], known[1])
    row = write.insert_reading(store, _draft(store, heard, said, reading_id), heard, at, zone)
    _mark_equal_stamps(store, row, heard.cuff_id, said)
    return Outcome("reading", row, reading_id, fresh=True)


def _imported(store: Store, heard: Heard, zone: str) -> Outcome:
    try:
        row, reading_id, fresh = take_up(store, heard, zone)
    except ParseError as error:
        return Outcome("undecodable", reason=str(error))
    return Outcome("reading", row, reading_id, fresh=fresh)


def _by_id(store: Store, reading_id: str) -> tuple[int, str] | None:
    row = store.row("SELECT id FROM reading WHERE reading_id = ?", (reading_id,))
    return None if row is None else (row[0], reading_id)


def _lately(store: Store, heard: Heard, content: str) -> tuple[int, str] | None:
    """The unstamped reading of the same content, heard in this visit or just now."""
    row = (
        store.row(
            "SELECT reading.id, reading_id FROM payload JOIN outcome ON outcome.payload_id = payload.id "
            "JOIN reading ON reading.id = outcome.reading "
            "WHERE payload.visit_id = ? AND kind = 'reading' AND content = ? AND stamp IS NULL "
            "ORDER BY payload.arrived_at, payload.uid LIMIT 1",
            (heard.visit, content),
        )
        if heard.visit is not None
        else None
    )
    row = row or store.row(
        "SELECT reading.id, reading_id FROM payload JOIN outcome ON outcome.payload_id = payload.id "
        "JOIN reading ON reading.id = outcome.reading "
        "WHERE payload.cuff_id = ? AND payload.arrived_at BETWEEN ? AND ? AND clock_id IS ? "
        "AND kind = 'reading' AND content = ? AND stamp IS NULL ORDER BY payload.arrived_at DESC, "
        "payload.id LIMIT 1",
        (heard.cuff_id, heard.arrived_at - MEASUREMENT_US, heard.arrived_at, heard.clock_id, content),
    )
    return None if row is None else (row[0], row[1])


def _draft(store: Store, heard: Heard, said: Content, reading_id: str) -> Draft:
    marks = list(said.marks)
    if heard.encrypted is False and _bonded(store, heard):
        marks.append("unencrypted")
    feature = feature_at(store, heard.cuff_id, heard.arrived_at)
    numbers = (said.systolic, said.diastolic, said.mean, said.pulse)
    systolic, diastolic, mean, pulse = (None if number is None else str(number) for number in numbers)
    return Draft(
        reading_id,
        said.slot,
        systolic,
        diastolic,
        mean,
        said.unit,
        pulse,
        said.status,
        said.status_raw,
        None if feature is None else feature.checks(),
        said.stamp,
        said.stamp_us if said.by_hand is None else said.by_hand,
        "hand" if said.by_hand is not None else said.clock,
        said.identity,
        tuple(sorted(marks)),
        said.note,
    )


def feature_at(store: Store, cuff_id: int, at: int, later: bool = True) -> Feature | None:
    """What the cuff can do: as last read before, else (`later`) as first read after; None if never."""
    one = "SELECT value FROM visit_fact WHERE cuff_id = ? AND kind = 'read' AND characteristic = ? "
    about = (cuff_id, Uuid.BLOOD_PRESSURE_FEATURE, at)
    row = store.row(one + "AND at <= ? ORDER BY at DESC, uid DESC LIMIT 1", about)
    if row is None and later:
        row = store.row(one + "AND at > ? ORDER BY at, uid LIMIT 1", about)
    try:
        return None if row is None else parse_feature(row[0])
    except ParseError:
        return None


def _bonded(store: Store, heard: Heard) -> bool:
    text = store.scalar(
        "SELECT value FROM visit_fact WHERE cuff_id = ? AND kind = 'bond' AND at <= ? "
        "ORDER BY at DESC, uid DESC LIMIT 1",
        (heard.cuff_id, heard.arrived_at),
    )
    return text is not None and bool(json.loads(text)["bonded"])


def _mark_equal_stamps(store: Store, row: int, cuff_id: int, said: Content) -> None:
    """Equal stamp, different values: two readings, both marked."""
    if said.stamp is None:
        return
    twins = [
        twin
        for (twin,) in store.query(
            "SELECT id FROM reading WHERE cuff_id = ? AND stamp = ? AND slot IS ? AND id <> ?",
            (cuff_id, said.stamp, said.slot, row),
        ).fetchall()
    ]
    for twin in [row, *twins] if twins else []:
        write.add_mark(store, twin, SAME_STAMP)


def _segment(store: Store, heard: Heard, at: int, zone: str) -> Outcome:
    """A segment of a stored record: with the last one the record is whole."""
    run = _run_of_segments(store, heard)
    if len(run) > 1 and run[-2].value == heard.value:
        earlier = write.outcome_of(store, run[-2].payload)
        outcome = Outcome("segment", earlier[1] if earlier else None, reason="the same segment again")
    else:
        outcome = _join(store, heard, run, at, zone)
    write.set_outcome(store, heard.payload, outcome.kind, outcome.reading, outcome.reason)
    return outcome


def _join(store: Store, heard: Heard, run: list[Heard], at: int, zone: str) -> Outcome:
    feature = feature_at(store, heard.cuff_id, heard.arrived_at, later=False)
    reassembler = Reassembler(None if feature is None else feature.e2e_crc)
    made: tuple[Record | Gap, ...] = ()
    for part in run:
        made = reassembler.feed(part.value)
    whole = next((item for item in made if isinstance(item, Record)), None)
    if whole is None:
        gap = next((item for item in made if isinstance(item, Gap)), None)
        return Outcome("segment", reason=gap.reason if gap else "the rest of the record did not come")
    if whole.crc_ok is False:
        outcome = Outcome("undecodable", reason=f"record {whole.sequence}: its check is wrong")
    else:
        first = run[0]
        outcome = _settle(
            store, first if len(run) > 1 else heard, at, zone, decode(whole.uuid, whole.value), whole.sequence
        )
    for part in run[:-1]:
        write.set_outcome(store, part.payload, "segment", outcome.reading, outcome.reason)
    return outcome


def _run_of_segments(store: Store, heard: Heard) -> list[Heard]:
    """This segment and those before it, back to the first of the record."""
    where = "visit_id = ?" if heard.visit is not None else "cuff_id = ? AND visit_id IS NULL"
    rows = store.query(
        f"SELECT id FROM payload WHERE {where} AND station_id = ? AND characteristic = ? AND number <= ? "
        "AND arrived_at BETWEEN ? AND ? ORDER BY number DESC, uid DESC",
        (heard.visit if heard.visit is not None else heard.cuff_id, heard.station, heard.characteristic,
         heard.number, heard.arrived_at - 10 * MEASUREMENT_US, heard.arrived_at),
    )  # fmt: skip
    run: list[Heard] = []
    for (payload,) in rows:
        part = write.heard(store, payload)
        assert part is not None
        run.append(part)
        if part.value[:1] and part.value[0] & 1:
            break
    return run[::-1]

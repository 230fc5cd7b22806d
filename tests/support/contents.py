"""Everything in a store that does not depend on which machine or file it is: what two merged stores must share."""

from typing import Any

from collector.store import Store

_QUERIES = {
    "stations": "SELECT uid FROM station",
    "zones": "SELECT uid, since, zone FROM station_zone JOIN station ON station.id = station_id",
    "unsure clocks": "SELECT uid, boot, base, correction FROM unsure_clock JOIN station ON station.id = station_id",
    "cuffs": "SELECT address, name, name_set_at, forgotten, forgotten_set_at, advertised FROM cuff",
    "visits": "SELECT visit.uid, station.uid, address, source, opened_at, closed_at, outcome, boot FROM visit "
    "JOIN station ON station.id = visit.station_id JOIN cuff ON cuff.id = visit.cuff_id "
    "LEFT JOIN unsure_clock u ON u.id = visit.clock_id",
    "facts": "SELECT f.uid, v.uid, kind, characteristic, value, at, round_trip_us, error, boot FROM visit_fact f "
    "JOIN visit v ON v.id = visit_id LEFT JOIN unsure_clock u ON u.id = f.clock_id",
    "payloads": "SELECT p.uid, s.uid, number, address, v.uid, characteristic, value, arrived_at, p.source, "
    "encrypted, boot "
    "FROM payload p JOIN station s ON s.id = p.station_id JOIN cuff ON cuff.id = p.cuff_id "
    "LEFT JOIN visit v ON v.id = visit_id LEFT JOIN unsure_clock u ON u.id = p.clock_id",
    "erased": "SELECT uid FROM erased",
    "people": "SELECT uid, name, gone, part_of, changed_at FROM person",
    "spans": "SELECT span.uid, person.uid, address, slot, since, until, strict, span.gone, span.changed_at FROM span "
    "JOIN person ON person.id = person_id JOIN cuff ON cuff.id = cuff_id",
    "claims": "SELECT claim.uid, payload_uid, person.uid, holds, claim.changed_at FROM claim "
    "LEFT JOIN person ON person.id = person_id",
    "strikes": "SELECT uid, payload_uid, mark, holds, changed_at FROM strike",
    "notes": "SELECT note.uid, person.uid, kind, day, text, note.gone, note.changed_at FROM note "
    "JOIN person ON person.id = person_id",
    "office visits": "SELECT v.uid, person.uid, day, readings, v.gone, v.changed_at FROM office_visit v "
    "JOIN person ON person.id = person_id",
    "sittings": "SELECT s.uid, person.uid, started_at, prepared, readings, s.gone, s.changed_at FROM sitting s "
    "JOIN person ON person.id = person_id",
    "loans": "SELECT loan.uid, address, person.uid, slots, out_at, back_at, step, checks, loan.gone, loan.changed_at "
    "FROM loan JOIN cuff ON cuff.id = cuff_id LEFT JOIN person ON person.id = person_id",
    "cuff states": "SELECT address, state, reason, changed_at FROM cuff_state JOIN cuff ON cuff.id = cuff_id",
    "audit": "SELECT audit.uid, at, what, detail, person.uid FROM audit LEFT JOIN person ON person.id = person_id",
    "readings": "SELECT reading_id, address, slot, person.uid, systolic, diastolic, mean, unit, pulse, taken_at, "
    "basis, "
    "uncertainty_s, zone.name, received_at, status, status_raw, assessed, stamp, stamp_us, clock, content, "
    "content_marks, "
    "time_marks, owner_mark, sightings, p.uid, v.uid, note FROM reading JOIN cuff ON cuff.id = reading.cuff_id "
    "JOIN zone ON zone.id = zone_id JOIN payload p ON p.id = payload_id LEFT JOIN visit v ON v.id = reading.visit_id "
    "LEFT JOIN person ON person.id = person_id",
    "outcomes": "SELECT p.uid, kind, reading_id, reason FROM outcome JOIN payload p ON p.id = outcome.payload_id "
    "LEFT JOIN reading ON reading.id = outcome.reading",
}


def contents(store: Store) -> dict[str, list[Any]]:
    """Per kind of row, in an order of its own."""
    return {name: sorted(store.query(query).fetchall(), key=repr) for name, query in _QUERIES.items()}

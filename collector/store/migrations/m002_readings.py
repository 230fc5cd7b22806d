"""What is derived from the journal, and can be thrown away and derived again."""

STATEMENTS = (
    "CREATE TABLE zone (id INTEGER PRIMARY KEY, name TEXT NOT NULL UNIQUE) STRICT",
    # systolic … pulse: decimal text with the precision that was sent. stamp_us: the cuff's wall clock as
    # microseconds since 1970 of that clock. clock: which clock the stamp is of ('wall', 'base').
    # content_marks and time_marks: words joined by ';'.
    """CREATE TABLE reading (
        id INTEGER PRIMARY KEY, reading_id TEXT NOT NULL UNIQUE,
        cuff_id INTEGER NOT NULL REFERENCES cuff, slot INTEGER, person_id INTEGER,
        systolic TEXT, diastolic TEXT, mean TEXT, unit TEXT NOT NULL, pulse TEXT,
        taken_at INTEGER NOT NULL, basis TEXT NOT NULL, uncertainty_s REAL, zone_id INTEGER NOT NULL
        REFERENCES zone,
        received_at INTEGER NOT NULL, status TEXT NOT NULL, status_raw INTEGER, assessed TEXT,
        stamp TEXT, stamp_us INTEGER, clock TEXT, content TEXT NOT NULL,
        content_marks TEXT NOT NULL, time_marks TEXT NOT NULL DEFAULT '', owner_mark TEXT,
        sightings INTEGER NOT NULL, payload_id INTEGER NOT NULL REFERENCES payload,
        visit_id INTEGER REFERENCES visit, note TEXT) STRICT""",
    "CREATE INDEX reading_of_person ON reading (person_id, taken_at)",
    "CREATE INDEX reading_of_cuff ON reading (cuff_id, taken_at)",
    "CREATE INDEX reading_taken ON reading (taken_at)",
    "CREATE INDEX reading_received ON reading (cuff_id, received_at)",
    "CREATE INDEX reading_stamp ON reading (cuff_id, stamp)",
    "CREATE INDEX reading_of_payload ON reading (payload_id)",
    "CREATE INDEX reading_by_base_clock ON reading (cuff_id, received_at) WHERE clock = 'base'",
    "CREATE INDEX reading_unassessed ON reading (cuff_id) WHERE assessed IS NULL",
    # kind: 'reading' (a sighting of it), 'segment' (part of one, or waiting for the rest), 'pressure'
    # (cuff pressure while inflating, no reading), 'undecodable' with the reason.
    """CREATE TABLE outcome (
        payload_id INTEGER PRIMARY KEY REFERENCES payload, kind TEXT NOT NULL,
        reading INTEGER REFERENCES reading, reason TEXT) STRICT""",
    "CREATE INDEX outcome_of_reading ON outcome (reading)",
    "CREATE INDEX outcome_trouble ON outcome (kind) WHERE kind IN ('segment', 'undecodable')",
    # latest: arrival of a cuff's newest payload, microseconds UTC. unsettled_from: since when something arrived
    # that is not taken into account in full. redo: derive the whole cuff again.
    """CREATE TABLE derived (
        cuff_id INTEGER PRIMARY KEY REFERENCES cuff, latest INTEGER NOT NULL DEFAULT 0,
        unsettled_from INTEGER, redo INTEGER NOT NULL DEFAULT 0) STRICT""",
    # Times that were improved, for whoever wonders why a reading moved.
    """CREATE TABLE retimed (
        id INTEGER PRIMARY KEY, reading_id TEXT NOT NULL, at INTEGER NOT NULL,
        before INTEGER NOT NULL, after INTEGER NOT NULL, before_basis TEXT NOT NULL, after_basis TEXT NOT
        NULL,
        before_uncertainty_s REAL, after_uncertainty_s REAL) STRICT""",
    "CREATE INDEX retimed_of_reading ON retimed (reading_id)",
)

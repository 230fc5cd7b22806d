"""The journal: everything a cuff said, as it came. Instants are microseconds since 1970 UTC."""

STATEMENTS = (
    # A station is a machine that listens. `own` is this store's.
    """CREATE TABLE station (
        id INTEGER PRIMARY KEY, uid BLOB NOT NULL UNIQUE, own INTEGER NOT NULL DEFAULT 0) STRICT""",
    # Zone rules that held at the station, from an instant on (IANA names).
    """CREATE TABLE station_zone (
        station_id INTEGER NOT NULL REFERENCES station, since INTEGER NOT NULL, zone TEXT NOT NULL,
        PRIMARY KEY (station_id, since)) STRICT, WITHOUT ROWID""",
    # A run of the station's clock that was not known to be right (no RTC, no NTP yet). `base` is wall clock
    # minus time since boot while it was wrong; `correction` the microseconds to add, NULL until time is
    # known.
    """CREATE TABLE unsure_clock (
        id INTEGER PRIMARY KEY, station_id INTEGER NOT NULL REFERENCES station, boot TEXT NOT NULL,
        base INTEGER NOT NULL, correction INTEGER, UNIQUE (station_id, boot, base)) STRICT""",
    """CREATE TABLE cuff (
        id INTEGER PRIMARY KEY, address TEXT NOT NULL UNIQUE,
        name TEXT, name_set_at INTEGER NOT NULL DEFAULT 0,
        forgotten INTEGER NOT NULL DEFAULT 0, forgotten_set_at INTEGER NOT NULL DEFAULT 0,
        advertised TEXT, bonded INTEGER NOT NULL DEFAULT 0, bond_missing_on TEXT) STRICT""",
    """CREATE TABLE cuff_handle (
        cuff_id INTEGER NOT NULL REFERENCES cuff, handle INTEGER NOT NULL, characteristic INTEGER NOT NULL,
        PRIMARY KEY (cuff_id, handle)) STRICT, WITHOUT ROWID""",
    # clock_id: the unsure clock that the row's instants were read from; NULL when the clock was right.
    """CREATE TABLE visit (
        id INTEGER PRIMARY KEY, uid BLOB NOT NULL UNIQUE, station_id INTEGER NOT NULL REFERENCES station,
        cuff_id INTEGER NOT NULL REFERENCES cuff, source TEXT NOT NULL,
        opened_at INTEGER NOT NULL, closed_at INTEGER, outcome TEXT,
        clock_id INTEGER REFERENCES unsure_clock) STRICT""",
    "CREATE INDEX visit_of_cuff ON visit (cuff_id, opened_at)",
    # Anything read from, written to or learned about the cuff in a visit besides its records.
    # kind: 'read', 'clock set', 'bond', 'name', 'handles'.
    """CREATE TABLE visit_fact (
        id INTEGER PRIMARY KEY, uid BLOB NOT NULL UNIQUE, visit_id INTEGER NOT NULL REFERENCES visit,
        cuff_id INTEGER NOT NULL REFERENCES cuff, kind TEXT NOT NULL, characteristic INTEGER,
        value BLOB NOT NULL, at INTEGER NOT NULL, round_trip_us INTEGER NOT NULL DEFAULT 0, error INTEGER,
        clock_id INTEGER REFERENCES unsure_clock) STRICT""",
    "CREATE INDEX visit_fact_of_cuff ON visit_fact (cuff_id, kind, characteristic, at)",
    "CREATE INDEX visit_fact_of_visit ON visit_fact (visit_id)",
    # Readings of the cuff's clock: Current Time 0x2A2B and Date Time 0x2A08.
    "CREATE INDEX visit_fact_clock ON visit_fact (cuff_id, at) WHERE characteristic IN (10795, 10760)",
    "CREATE INDEX visit_fact_unsure ON visit_fact (cuff_id) WHERE clock_id IS NOT NULL",
    # number: order of arrival at its station. mark: names the very frame, so that a replay is idle.
    """CREATE TABLE payload (
        id INTEGER PRIMARY KEY, uid BLOB NOT NULL UNIQUE, station_id INTEGER NOT NULL REFERENCES station,
        number INTEGER NOT NULL, cuff_id INTEGER NOT NULL REFERENCES cuff,
        visit_id INTEGER REFERENCES visit, characteristic INTEGER NOT NULL, value BLOB NOT NULL,
        arrived_at INTEGER NOT NULL, source TEXT NOT NULL, encrypted INTEGER, mark TEXT,
        clock_id INTEGER REFERENCES unsure_clock) STRICT""",
    "CREATE UNIQUE INDEX payload_mark ON payload (station_id, mark) WHERE mark IS NOT NULL",
    "CREATE INDEX payload_of_cuff ON payload (cuff_id, arrived_at)",
    "CREATE INDEX payload_unsure ON payload (clock_id, number) WHERE clock_id IS NOT NULL",
    "CREATE INDEX payload_of_visit ON payload (visit_id) WHERE visit_id IS NOT NULL",
    # Payloads are the truth. Only erasing takes one away; nothing alters one.
    """CREATE TRIGGER payload_never_changes BEFORE UPDATE ON payload
        BEGIN SELECT RAISE(ABORT, 'a payload is never changed'); END""",
    # What was erased stays erased when another station's copy is merged. Random numbers, nothing personal.
    "CREATE TABLE erased (uid BLOB PRIMARY KEY) STRICT, WITHOUT ROWID",
    """CREATE TABLE condition (
        topic TEXT PRIMARY KEY, text TEXT NOT NULL, since INTEGER NOT NULL) STRICT, WITHOUT ROWID""",
    # Until when new cuffs are taken in although only known ones are accepted.
    "CREATE TABLE accept_window (until INTEGER NOT NULL) STRICT",
)

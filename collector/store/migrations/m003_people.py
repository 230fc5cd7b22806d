"""People, what belongs to them, and the record of every change. Rows with a uid travel when stores merge.

changed_at decides between two stations' versions of one row: the later one holds.
"""

STATEMENTS = (
    """CREATE TABLE person (
        id INTEGER PRIMARY KEY, uid BLOB NOT NULL UNIQUE, name TEXT NOT NULL,
        gone INTEGER NOT NULL DEFAULT 0, changed_at INTEGER NOT NULL) STRICT""",
    "CREATE INDEX person_name ON person (name COLLATE NOCASE)",
    # slot: the record's User ID; -1 records without one, -2 any. strict: a reading whose time is not
    # sure to lie inside the span is set aside (loans).
    """CREATE TABLE span (
        id INTEGER PRIMARY KEY, uid BLOB NOT NULL UNIQUE, person_id INTEGER NOT NULL REFERENCES person,
        cuff_id INTEGER NOT NULL REFERENCES cuff, slot INTEGER NOT NULL,
        since INTEGER, until INTEGER, strict INTEGER NOT NULL DEFAULT 0, gone INTEGER NOT NULL DEFAULT 0,
        changed_at INTEGER NOT NULL) STRICT""",
    "CREATE INDEX span_of_cuff ON span (cuff_id)",
    "CREATE INDEX span_of_person ON span (person_id)",
    # One reading to one person by hand, whatever the spans say; person_id NULL: to nobody. holds 0:
    # withdrawn.
    """CREATE TABLE claim (
        id INTEGER PRIMARY KEY, uid BLOB NOT NULL UNIQUE, payload_uid BLOB NOT NULL UNIQUE,
        person_id INTEGER REFERENCES person, holds INTEGER NOT NULL DEFAULT 1,
        changed_at INTEGER NOT NULL) STRICT""",
    "CREATE INDEX claim_of_person ON claim (person_id)",
    """CREATE TABLE note (
        id INTEGER PRIMARY KEY, uid BLOB NOT NULL UNIQUE, person_id INTEGER NOT NULL REFERENCES person,
        kind TEXT NOT NULL, day TEXT NOT NULL, text TEXT NOT NULL, gone INTEGER NOT NULL DEFAULT 0,
        changed_at INTEGER NOT NULL) STRICT""",
    "CREATE INDEX note_of_person ON note (person_id, day)",
    # prepared: what was confirmed before the sitting; readings: ids; both JSON lists.
    """CREATE TABLE sitting (
        id INTEGER PRIMARY KEY, uid BLOB NOT NULL UNIQUE, person_id INTEGER NOT NULL REFERENCES person,
        started_at INTEGER NOT NULL, prepared TEXT NOT NULL, readings TEXT NOT NULL,
        gone INTEGER NOT NULL DEFAULT 0, changed_at INTEGER NOT NULL) STRICT""",
    "CREATE INDEX sitting_of_person ON sitting (person_id, started_at)",
    # slots: JSON list as in span. state: see loans. checks: JSON object of what was looked at and when.
    """CREATE TABLE loan (
        id INTEGER PRIMARY KEY, uid BLOB NOT NULL UNIQUE, cuff_id INTEGER NOT NULL REFERENCES cuff,
        person_id INTEGER REFERENCES person, slots TEXT NOT NULL, out_at INTEGER NOT NULL, back_at INTEGER,
        step TEXT NOT NULL, checks TEXT NOT NULL, gone INTEGER NOT NULL DEFAULT 0,
        changed_at INTEGER NOT NULL) STRICT""",
    "CREATE INDEX loan_of_cuff ON loan (cuff_id, out_at)",
    """CREATE TABLE cuff_state (
        cuff_id INTEGER PRIMARY KEY REFERENCES cuff, state TEXT NOT NULL, reason TEXT,
        changed_at INTEGER NOT NULL) STRICT""",
    # What people did, when. person_id lets erasing find the lines about a person.
    """CREATE TABLE audit (
        id INTEGER PRIMARY KEY, uid BLOB NOT NULL UNIQUE, at INTEGER NOT NULL, what TEXT NOT NULL,
        detail TEXT NOT NULL, person_id INTEGER REFERENCES person) STRICT""",
    "CREATE INDEX audit_at ON audit (at)",
    "CREATE INDEX audit_of_person ON audit (person_id)",
)

"""Visits to the office, a person's. readings: JSON list of [systolic, diastolic] as text, mmHg."""

STATEMENTS = (
    """CREATE TABLE office_visit (
        id INTEGER PRIMARY KEY, uid BLOB NOT NULL UNIQUE, person_id INTEGER NOT NULL REFERENCES person,
        day TEXT NOT NULL, readings TEXT NOT NULL, gone INTEGER NOT NULL DEFAULT 0,
        changed_at INTEGER NOT NULL) STRICT""",
    "CREATE INDEX office_visit_of_person ON office_visit (person_id, day)",
)

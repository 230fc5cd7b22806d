"""Whose browser may see what on the station's page. Only this station's: nothing here travels when stores merge.

Tokens are kept as SHA-256 alone: 256 random bits want no salt and no slow hash.
"""

STATEMENTS = (
    # A link that makes one device somebody's, once and not for long. person_id NULL: of a role without a person.
    """CREATE TABLE page_invite (
        hash BLOB PRIMARY KEY, person_id INTEGER REFERENCES person, role TEXT NOT NULL,
        expires_at INTEGER NOT NULL, used_at INTEGER) STRICT""",
    """CREATE TABLE page_device (
        id INTEGER PRIMARY KEY, hash BLOB NOT NULL UNIQUE, person_id INTEGER REFERENCES person, role TEXT NOT NULL,
        name TEXT NOT NULL, made_at INTEGER NOT NULL, seen_at INTEGER NOT NULL, ends_at INTEGER NOT NULL) STRICT""",
    # A form that was carried out: the same one sent again changes nothing.
    "CREATE TABLE page_form (key TEXT PRIMARY KEY, at INTEGER NOT NULL) STRICT",
    # A guided sitting in progress. answers: JSON list of [instant, key]; claimed: JSON list of reading ids.
    """CREATE TABLE page_sitting (
        id INTEGER PRIMARY KEY, person_id INTEGER NOT NULL REFERENCES person, started_at INTEGER NOT NULL,
        rest_s REAL NOT NULL, answers TEXT NOT NULL, claimed TEXT NOT NULL) STRICT""",
    "CREATE INDEX page_sitting_of_person ON page_sitting (person_id, started_at)",
)

"""How a cuff wants to be visited, and where what it offers stands: to visit it fast, in a way that it bears."""

STATEMENTS = (
    # What discovery found. properties: 'indicate,read', … as words. configuration: handle of the client configuration.
    """CREATE TABLE cuff_characteristic (
        cuff_id INTEGER NOT NULL REFERENCES cuff, handle INTEGER NOT NULL, characteristic INTEGER NOT NULL,
        service INTEGER, properties TEXT NOT NULL, configuration INTEGER,
        PRIMARY KEY (cuff_id, handle)) STRICT, WITHOUT ROWID""",
    # kind: 'hangs up at', 'does not answer', 'sends only once its clock is set', … detail: the step it is about.
    # sure: else it was only seen once and may have been chance.
    """CREATE TABLE cuff_manner (
        cuff_id INTEGER NOT NULL REFERENCES cuff, kind TEXT NOT NULL, detail TEXT NOT NULL, sure INTEGER NOT NULL,
        since INTEGER NOT NULL, PRIMARY KEY (cuff_id, kind, detail)) STRICT, WITHOUT ROWID""",
)

"""A person at a cuff, asked for the digits on its display by a service that has no keyboard of its own."""

STATEMENTS = (
    # until: how long somebody waits to be asked. number: what to compare with the display; NULL: digits are wanted.
    # answer: the digits, or 1 and 0 for yes and no.
    """CREATE TABLE pairing (
        address TEXT PRIMARY KEY, until INTEGER NOT NULL, asked_at INTEGER, number INTEGER, answer INTEGER
        ) STRICT, WITHOUT ROWID""",
)

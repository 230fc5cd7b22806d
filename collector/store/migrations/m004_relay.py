"""What is to be sent on, to whom, and what each receiver has already."""

_SHOWN = (
    "person_id, systolic, diastolic, mean, unit, pulse, taken_at, basis, uncertainty_s, zone_id, status, status_raw, "
    "assessed, stamp, content_marks, time_marks, owner_mark, note"
)


def outbox_trigger(name: str, event: str, reading: str, more: str = "") -> str:
    return (
        f"CREATE TRIGGER outbox_{name} AFTER {event} BEGIN INSERT INTO outbox (target_id, reading_id) "
        f"SELECT relay_target.id, {reading} FROM relay_target{more} WHERE true "
        "ON CONFLICT (target_id, reading_id) DO UPDATE SET version = version + 1; END"
    )


STATEMENTS = (
    # A receiver. failures, next_at, trouble: of reaching it at all. lease: who is sending just now, until when.
    """CREATE TABLE relay_target (
        id INTEGER PRIMARY KEY, name TEXT NOT NULL UNIQUE, since INTEGER NOT NULL,
        worked_at INTEGER, failures INTEGER NOT NULL DEFAULT 0, next_at INTEGER NOT NULL DEFAULT 0, trouble TEXT,
        lease TEXT, lease_until INTEGER NOT NULL DEFAULT 0) STRICT""",
    # Readings whose present state the receiver may not have. seq: the order of sending. version: counts changes
    # while it waits, so that what changes while it is being sent is sent again. tried: the version of the first
    # attempt whose outcome may be unknown.
    """CREATE TABLE outbox (
        seq INTEGER PRIMARY KEY AUTOINCREMENT, target_id INTEGER NOT NULL REFERENCES relay_target ON DELETE CASCADE,
        reading_id TEXT NOT NULL, version INTEGER NOT NULL DEFAULT 0, tried INTEGER, UNIQUE (target_id, reading_id))
        STRICT""",
    "CREATE INDEX outbox_order ON outbox (target_id, seq)",
    # What the receiver has: a digest of each reading as it was sent.
    """CREATE TABLE relay_sent (
        target_id INTEGER NOT NULL REFERENCES relay_target ON DELETE CASCADE, reading_id TEXT NOT NULL,
        digest BLOB NOT NULL, at INTEGER NOT NULL, PRIMARY KEY (target_id, reading_id)) STRICT, WITHOUT ROWID""",
    # A reading that the receiver refuses holds up its person's later ones, nobody else's. person_id 0: nobody's.
    """CREATE TABLE relay_hold (
        target_id INTEGER NOT NULL REFERENCES relay_target ON DELETE CASCADE, person_id INTEGER NOT NULL,
        reading_id TEXT NOT NULL, reason TEXT NOT NULL, since INTEGER NOT NULL,
        failures INTEGER NOT NULL, next_at INTEGER NOT NULL,
        PRIMARY KEY (target_id, person_id)) STRICT, WITHOUT ROWID""",
    # What an export of only what is new has handed out before, by format.
    """CREATE TABLE fetched (
        name TEXT NOT NULL, reading_id TEXT NOT NULL, digest BLOB NOT NULL,
        PRIMARY KEY (name, reading_id)) STRICT, WITHOUT ROWID""",
    outbox_trigger("new", "INSERT ON reading", "NEW.reading_id"),
    outbox_trigger("changed", f"UPDATE OF {_SHOWN} ON reading", "NEW.reading_id"),
    outbox_trigger("gone", "DELETE ON reading", "OLD.reading_id"),
    outbox_trigger(
        "renamed", "UPDATE OF name ON person", "reading.reading_id", " JOIN reading ON reading.person_id = NEW.id"
    ),
)

"""By which names and passing addresses a cuff is met that does not say at once who it is."""

STATEMENTS = (
    # Cuffs to be visited by the name they call themselves, although they name no service: until then.
    "CREATE TABLE awaited (name TEXT PRIMARY KEY, until INTEGER NOT NULL) STRICT, WITHOUT ROWID",
    # passing: its address is a private one that no bond explains; the next time it has another.
    "ALTER TABLE cuff ADD COLUMN passing INTEGER NOT NULL DEFAULT 0",
    # Addresses that turned out to be another cuff's.
    """CREATE TABLE cuff_alias (
        address TEXT PRIMARY KEY, cuff_id INTEGER NOT NULL REFERENCES cuff) STRICT, WITHOUT ROWID""",
    # What came, and when, never changes. Which cuff it was may be known better later.
    "DROP TRIGGER payload_never_changes",
    """CREATE TRIGGER payload_never_changes BEFORE UPDATE OF
        id, uid, station_id, number, visit_id, characteristic, value, arrived_at, source, encrypted, mark, clock_id,
        handle ON payload
        BEGIN SELECT RAISE(ABORT, 'a payload is never changed'); END""",
)

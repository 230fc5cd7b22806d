"""Readings that a person struck out or corrected; hand-written lines are known by their instant and values alone."""

STATEMENTS = (
    # payload_uid: of the reading's first payload, so that a strike outlives a rebuild and travels with a merge, as a
    # claim does. mark: what the reading is marked with while it holds.
    """CREATE TABLE strike (
        uid BLOB PRIMARY KEY, payload_uid BLOB NOT NULL UNIQUE, mark TEXT NOT NULL, holds INTEGER NOT NULL,
        changed_at INTEGER NOT NULL) STRICT""",
    # What is one hand-written reading is told otherwise now: the next command that writes derives them again.
    "INSERT INTO derived (cuff_id, redo) SELECT id, 1 FROM cuff WHERE address = 'hand' "
    "ON CONFLICT (cuff_id) DO UPDATE SET redo = 1",
)

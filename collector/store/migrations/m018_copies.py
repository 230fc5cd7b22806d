"""Hand-written readings are looked at again: a mark as a copy stayed when somebody was told whose either is."""

STATEMENTS = (
    """INSERT INTO derived (cuff_id, redo) SELECT id, 1 FROM cuff WHERE address = 'hand' AND true
        ON CONFLICT (cuff_id) DO UPDATE SET redo = 1""",
)

"""Cuffs of whose visits one broke off are derived again: by such a visit as by any other, what it had left in the cuff
was overdue at the next ones, and nobody could tell its time."""

STATEMENTS = (
    """INSERT INTO derived (cuff_id, redo) SELECT DISTINCT cuff_id, 1 FROM visit WHERE outcome IS NOT 'cuff left'
        ON CONFLICT (cuff_id) DO UPDATE SET redo = 1""",
)

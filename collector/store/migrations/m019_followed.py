"""What is derived by other rules since is derived again: whose and when corrections are, what copies a cuff's reading,
whose a cuff's are that another station took back, and what an unsure clock dated that is right now."""

_AGAIN = "INSERT INTO derived (cuff_id, redo) {} ON CONFLICT (cuff_id) DO UPDATE SET redo = 1"

STATEMENTS = (
    _AGAIN.format("SELECT id, 1 FROM cuff WHERE address = 'hand'"),
    _AGAIN.format(
        """SELECT DISTINCT span.cuff_id, 1 FROM span JOIN loan ON loan.cuff_id = span.cuff_id AND NOT loan.gone
        WHERE strict AND NOT span.gone AND out_at > since AND out_at < coalesce(until, 1 << 62)
        AND loan.person_id IS NOT span.person_id AND (loan.person_id IS NOT NULL OR step <> 'waiting')"""
    ),
    _AGAIN.format(
        """SELECT DISTINCT reading.cuff_id, 1 FROM unsure_clock JOIN payload ON clock_id = unsure_clock.id
        JOIN reading ON payload_id = payload.id
        WHERE correction IS NOT NULL AND instr(time_marks, 'station clock unsure')"""
    ),
)

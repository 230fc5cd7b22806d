"""A backup that takes a store's place goes back in time; what receivers have does not.

Believing the backup, nobody would ever tell a receiver that what was struck out, corrected or claimed since is not so.
Readings that came since stay where they were sent: that may be the only place that has them.
"""

from collector.store.database import Store
from collector.store.outbox import IN_ANY_STATE


def keep_what_receivers_have(restored: Store, present: Store | None) -> None:
    """Have each receiver told what the restored store says otherwise than what it was sent last, and that it lacks.

    present: the store that goes; None where it cannot be read, or is of another machine, whose receivers have nothing
    of this one's: then all may be there in any state, and is sent anew.
    """
    with restored.transaction():
        if present is not None:
            _take_over(restored, present)
        restored.query("DELETE FROM relay_hold")
        restored.query(
            """INSERT INTO outbox (target_id, reading_id) SELECT relay_target.id, reading_id FROM relay_target, reading
                WHERE true ORDER BY person_id, taken_at, reading_id ON CONFLICT DO UPDATE SET version = version + 1"""
        )
        if present is None:
            restored.query("DELETE FROM relay_sent")
            restored.query("UPDATE outbox SET tried = ?", (IN_ANY_STATE,))


def _take_over(restored: Store, present: Store) -> None:
    restored.query("DELETE FROM relay_target")  # and with it what it had
    for table in ("relay_target", "relay_sent"):
        for row in present.query(f"SELECT * FROM {table}"):
            restored.query(f"INSERT INTO {table} VALUES ({', '.join('?' * len(row))})", row)
    # What was still to be taken back, of somebody erased, say; and what was tried, which may be there.
    waiting = present.query(
        """SELECT target_id, outbox.reading_id, reading.id IS NULL, tried IS NOT NULL FROM outbox
            LEFT JOIN reading ON reading.reading_id = outbox.reading_id"""
    )
    for target, reading_id, gone, tried in waiting.fetchall():
        if gone or (tried and restored.scalar("SELECT 1 FROM reading WHERE reading_id = ?", (reading_id,))):
            restored.query(
                """INSERT INTO outbox (target_id, reading_id, tried) VALUES (?, ?, ?)
                    ON CONFLICT DO UPDATE SET tried = excluded.tried""",
                (target, reading_id, IN_ANY_STATE),
            )

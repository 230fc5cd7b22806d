"""What is still to be derived from the journal, per cuff: anew, or from an instant on."""

from collector.store.database import Store


def note_taken_up(store: Store, cuff_id: int, at: int) -> None:
    """A payload that arrived then (microseconds UTC) has an outcome."""
    note_unsettled(store, cuff_id, at)
    store.query("UPDATE derived SET latest = max(latest, ?) WHERE cuff_id = ?", (at, cuff_id))


def note_unsettled(store: Store, cuff_id: int, at: int) -> None:
    """Something of then is to be taken into account."""
    store.query(
        """INSERT INTO derived (cuff_id, unsettled_from) VALUES (?, ?) ON CONFLICT (cuff_id) DO UPDATE
            SET unsettled_from = min(coalesce(unsettled_from, excluded.unsettled_from),
            excluded.unsettled_from)""",
        (cuff_id, at),
    )


def note_redo(store: Store, cuff_id: int) -> None:
    """The cuff is to be derived anew."""
    store.query(
        "INSERT INTO derived (cuff_id, redo) VALUES (?, 1) ON CONFLICT (cuff_id) DO UPDATE SET redo = 1", (cuff_id,)
    )


def note_settled(store: Store, cuff_id: int, redone: bool) -> None:
    """The cuff's readings are as good as can be. redone: derived anew."""
    store.query("UPDATE derived SET unsettled_from = NULL WHERE cuff_id = ?", (cuff_id,))
    if redone:
        store.query("UPDATE derived SET redo = 0 WHERE cuff_id = ?", (cuff_id,))


def latest_arrival(store: Store, cuff_id: int) -> int | None:
    """Of the payloads taken up; microseconds UTC."""
    found: int | None = store.scalar("SELECT latest FROM derived WHERE cuff_id = ?", (cuff_id,))
    return found


def unsettled_from(store: Store, cuff_id: int) -> int | None:
    """Since when something is not taken into account; None for nothing."""
    found: int | None = store.scalar("SELECT unsettled_from FROM derived WHERE cuff_id = ?", (cuff_id,))
    return found


def cuffs_to_redo(store: Store) -> list[int]:
    """Cuffs to derive anew."""
    return [row[0] for row in store.query("SELECT cuff_id FROM derived WHERE redo ORDER BY cuff_id")]


def cuffs_unsettled(store: Store) -> list[int]:
    """Cuffs with something that was not taken into account in full."""
    rows = store.query("SELECT cuff_id FROM derived WHERE unsettled_from IS NOT NULL ORDER BY cuff_id")
    return [row[0] for row in rows]

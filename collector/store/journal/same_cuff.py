"""Which cuff bears a passing address: found by its serial number or System ID, it is one with its earlier self."""

from datetime import datetime

from collector.store import audit
from collector.store.database import Store
from collector.store.journal import derivation

MANUFACTURER, MODEL, SERIAL, SYSTEM_ID = 0x2A29, 0x2A24, 0x2A25, 0x2A23


def note_passing(store: Store, visit: int) -> None:
    """The visited cuff's address is a private one that no bond explains."""
    with store.transaction():
        store.query("UPDATE cuff SET passing = 1 WHERE id = (SELECT cuff_id FROM visit WHERE id = ?)", (visit,))


def passing(store: Store) -> list[int]:
    """Cuffs without a lasting address that say enough of themselves to be known again."""
    return list(_names(store))


def earlier_self(store: Store, cuff_id: int) -> int | None:
    """The cuff that this one was before its address changed, None where it is new or says too little of itself."""
    if not store.scalar("SELECT passing FROM cuff WHERE id = ?", (cuff_id,)):
        return None
    names = _names(store)
    own = names.pop(cuff_id, frozenset())
    return next((other for other, theirs in names.items() if own & theirs), None)


def _names(store: Store) -> dict[int, frozenset[tuple[object, ...]]]:
    """By what a cuff without a lasting address is known again: maker, model, and a number of its own."""
    said: dict[int, dict[int, bytes]] = {}
    for cuff_id, characteristic, value in store.query(
        # CROSS: the few cuffs first, then by the index what each told (SQLite, "The Query Optimizer Overview").
        """SELECT cuff_id, characteristic, value FROM cuff CROSS JOIN visit_fact ON cuff.id = cuff_id
            WHERE passing AND kind = 'read' AND characteristic IN (?, ?, ?, ?) ORDER BY cuff_id, at""",
        (MANUFACTURER, MODEL, SERIAL, SYSTEM_ID),
    ):
        said.setdefault(cuff_id, {})[characteristic] = value  # the last word holds
    found = {
        cuff_id: frozenset(
            (told.get(MANUFACTURER), told.get(MODEL), key, told[key])
            for key in (SERIAL, SYSTEM_ID)
            if _tells(told.get(key))
        )
        for cuff_id, told in said.items()
    }
    return {cuff_id: names for cuff_id, names in found.items() if names}


def _tells(value: bytes | None) -> bool:
    """One octet over and over tells nobody apart (common practice, no source)."""
    return len(set((value or b"").strip(b" \x00"))) > 1


LATER_STATE = """ON CONFLICT (cuff_id) DO UPDATE SET state = excluded.state, reason = excluded.reason, changed_at
    = excluded.changed_at WHERE (excluded.changed_at, excluded.state, coalesce(excluded.reason, '')) >
    (cuff_state.changed_at, cuff_state.state, coalesce(cuff_state.reason, ''))"""
"""Of two states of one cuff in the lending stock the later; everywhere the same. Behind an INSERT … SELECT … WHERE."""


def met_first(store: Store, one: int, other: int) -> tuple[int, int]:
    """Both, the one that was visited first before the other: every station comes to the same, in whatever order."""
    first, second = (
        cuff_id
        for (cuff_id,) in store.query(
            """SELECT cuff.id FROM cuff JOIN visit ON visit.cuff_id = cuff.id WHERE cuff.id IN (?, ?)
            GROUP BY cuff.id ORDER BY min(opened_at), address""",
            (one, other),
        )
    )
    return first, second


def unite(store: Store, cuff_id: int, with_id: int, at: datetime) -> None:
    """Everything of one cuff is the other's from now on. Call inside a transaction; nothing derived may be left."""
    store.query(
        """UPDATE cuff SET name = other.name, name_set_at = other.name_set_at FROM cuff other
        WHERE cuff.id = ? AND other.id = ? AND (other.name_set_at, coalesce(other.name, '')) >
            (cuff.name_set_at, coalesce(cuff.name, ''))""",
        (with_id, cuff_id),
    )
    store.query(
        f"""INSERT INTO cuff_state (cuff_id, state, reason, changed_at) SELECT ?1, state, reason, changed_at
            FROM cuff_state WHERE cuff_id = ?2 {LATER_STATE}""",
        (with_id, cuff_id),
    )
    address, other = (store.scalar("SELECT address FROM cuff WHERE id = ?", (one,)) for one in (cuff_id, with_id))
    for table in ("payload", "visit", "visit_fact", "span", "loan", "cuff_alias"):
        store.query(f"UPDATE {table} SET cuff_id = ? WHERE cuff_id = ?", (with_id, cuff_id))
    for table in ("cuff_handle", "cuff_characteristic", "cuff_manner", "cuff_state", "derived"):
        store.query(f"DELETE FROM {table} WHERE cuff_id = ?", (cuff_id,))
    store.query("DELETE FROM cuff WHERE id = ?", (cuff_id,))
    store.query("INSERT INTO cuff_alias VALUES (?, ?)", (address, with_id))
    derivation.note_redo(store, with_id)
    audit.record(store, at, "cuffs united", {"cuff": other, "address": address})

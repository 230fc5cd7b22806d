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


def earlier_self(store: Store, cuff_id: int) -> int | None:
    """The cuff that this one was before its address changed, None where it is new or says too little of itself."""
    rows = store.query(
        "SELECT id FROM cuff WHERE passing AND id <> ?1 AND (SELECT passing FROM cuff WHERE id = ?1) ORDER BY id",
        (cuff_id,),
    )
    own = _said(store, cuff_id)
    for (other,) in rows.fetchall():
        said = _said(store, other)
        same_make = (own.get(MANUFACTURER), own.get(MODEL)) == (said.get(MANUFACTURER), said.get(MODEL))
        if same_make and any(_tells(own.get(key)) and own[key] == said.get(key) for key in (SERIAL, SYSTEM_ID)):
            return int(other)
    return None


def _said(store: Store, cuff_id: int) -> dict[int, bytes]:
    """What a cuff last said of itself, by characteristic."""
    return dict(
        store.query(
            """SELECT characteristic, value FROM visit_fact WHERE cuff_id = ? AND kind = 'read'
               AND characteristic IN (?, ?, ?, ?) ORDER BY at""",
            (cuff_id, MANUFACTURER, MODEL, SERIAL, SYSTEM_ID),
        ).fetchall()
    )


def _tells(value: bytes | None) -> bool:
    """One octet over and over tells nobody apart (common practice, no source)."""
    return len(set((value or b"").strip(b" \x00"))) > 1


def passing(store: Store) -> list[int]:
    """Cuffs without a lasting address."""
    return [cuff_id for (cuff_id,) in store.query("SELECT id FROM cuff WHERE passing ORDER BY id").fetchall()]


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
    address, other = (store.scalar("SELECT address FROM cuff WHERE id = ?", (one,)) for one in (cuff_id, with_id))
    for table in ("payload", "visit", "visit_fact", "span", "loan", "cuff_alias"):
        store.query(f"UPDATE {table} SET cuff_id = ? WHERE cuff_id = ?", (with_id, cuff_id))
    for table in ("cuff_handle", "cuff_characteristic", "cuff_manner", "cuff_state", "derived"):
        store.query(f"DELETE FROM {table} WHERE cuff_id = ?", (cuff_id,))
    store.query("DELETE FROM cuff WHERE id = ?", (cuff_id,))
    store.query("INSERT INTO cuff_alias VALUES (?, ?)", (address, with_id))
    derivation.note_redo(store, with_id)
    audit.record(store, at, "cuffs united", {"cuff": other, "address": address})

"""The cuffs that were met: address, names, handles, bond."""

from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import datetime, timedelta

from collector.store import audit
from collector.store.database import Store
from collector.store.errors import RefusedByStore
from collector.store.instants import from_us, to_come, to_us
from collector.store.journal.bond_doubts import renewed

HAND = "hand"
"""The address under which hand-written logs are kept."""
LONGEST_WAIT = timedelta(hours=2)
"""New cuffs are waited for no longer at once."""


def still_waited_for(now: datetime) -> tuple[int, int]:
    """Between which microseconds the end of such a wait lies: twice its length, as a clock may go back a little."""
    return to_come(now, 2 * LONGEST_WAIT)


@dataclass(frozen=True, slots=True)
class Cuff:
    """A cuff as `cuff list` shows it."""

    address: str
    name: str | None  # given by us
    advertised: str | None  # what it calls itself, as sent: never to be shown unescaped
    bonded: bool
    bond_missing_on: str | None  # 'ours', 'cuff'
    forgotten: bool
    readings: int
    last_visit: datetime | None
    bond_renewed: str | None = None  # in place of a lost one and not confirmed: what it brought is 'held' or 'counts'
    handles: Mapping[int, int] = field(default_factory=dict)  # value handle to 16-bit UUID


def row_of(store: Store, address: str) -> int:
    """Row of a cuff, made where it is new. Call inside a transaction."""
    found = store.scalar(
        "SELECT id FROM cuff WHERE address = ?1 UNION ALL SELECT cuff_id FROM cuff_alias WHERE address = ?1", (address,)
    )
    if found is None:
        found = store.query("INSERT INTO cuff (address) VALUES (?)", (address,)).lastrowid
    return int(found)


def find(store: Store, wanted: str) -> str | None:
    """Address of the cuff with this address or given name (letter case does not matter); None for none.

    Raises StoreError when two cuffs bear the name.
    """
    rows = store.query(
        "SELECT address FROM cuff WHERE address = ? COLLATE NOCASE OR name = ? COLLATE NOCASE", (wanted, wanted)
    ).fetchall()
    if len(rows) > 1:
        raise RefusedByStore(
            f"two cuffs are called '{wanted}'; use the address: " + ", ".join(address for (address,) in rows)
        )
    return rows[0][0] if rows else None


def need(store: Store, wanted: str) -> str:
    """As `find`, but raises StoreError for none."""
    address = find(store, wanted)
    if address is None:
        raise RefusedByStore(f"no cuff '{wanted}' in this store; `quietcuff cuff list` shows them")
    return address


def given_name(store: Store, address: str) -> str | None:
    """What its owner calls it; one row is read."""
    name: str | None = store.scalar("SELECT name FROM cuff WHERE address = ?", (address,))
    return name


def every(store: Store, forgotten: bool = False) -> list[Cuff]:
    """All cuffs met, by name and address; the forgotten ones only on demand."""
    rows = store.query(
        """SELECT id, address, name, advertised, bonded, bond_missing_on, forgotten,
            (SELECT count(*) FROM reading WHERE cuff_id = cuff.id),
            (SELECT max(opened_at) FROM visit WHERE cuff_id = cuff.id)
        FROM cuff WHERE address <> ? AND (? OR NOT forgotten) ORDER BY name IS NULL, name, address""",
        (HAND, forgotten),
    ).fetchall()
    return [
        Cuff(
            address=address,
            name=name,
            advertised=advertised,
            bonded=bool(bonded),
            bond_missing_on=missing,
            forgotten=bool(gone),
            readings=readings,
            last_visit=None if visit is None else from_us(visit),
            bond_renewed=renewed(store, number),
            handles=handles_of(store, number),
        )
        for number, address, name, advertised, bonded, missing, gone, readings, visit in rows
    ]


def handles_of(store: Store, cuff_id: int) -> dict[int, int]:
    return dict(store.query("SELECT handle, characteristic FROM cuff_handle WHERE cuff_id = ?", (cuff_id,)).fetchall())


def known(store: Store) -> list[tuple[str, bool, dict[int, int]]]:
    """What a radio remembers between runs: (address, bonded, value handles) of every cuff not forgotten."""
    query = "SELECT id, address, bonded FROM cuff WHERE NOT forgotten AND address <> ?"
    rows = store.whatever(query, (HAND,))
    return [(address, bool(bonded), handles_of(store, number)) for number, address, bonded in rows]


def is_known(store: Store, address: str) -> bool:
    """Whether the cuff was met before and not forgotten."""
    query = """SELECT 1 FROM cuff WHERE NOT forgotten
        AND (address = ?1 OR id = (SELECT cuff_id FROM cuff_alias WHERE address = ?1))"""
    return store.row(query, (address,)) is not None


def name(store: Store, wanted: str, given: str | None, at: datetime) -> None:
    """Give a cuff a name of our own, or take it away (None). Raises StoreError when another cuff bears it."""
    address = need(store, wanted)
    with store.transaction():
        if given is not None and (other := find(store, given)) not in (None, address):
            raise RefusedByStore(f"'{given}' is the name of {other} already")
        store.query(
            "UPDATE cuff SET name = ?, name_set_at = max(?, name_set_at + 1) WHERE address = ?",
            (given, to_us(at), address),
        )
        audit.record(store, at, "cuff named", {"cuff": address, "name": given})


_FORGOTTEN_LATER = "forgotten_set_at = max(?, forgotten_set_at + 1)"


def forget(store: Store, wanted: str, at: datetime) -> None:
    """Never visit or show this cuff again unless it is added anew; its readings and payloads stay."""
    address = need(store, wanted)
    with store.transaction():
        store.query(
            f"UPDATE cuff SET forgotten = 1, {_FORGOTTEN_LATER}, bonded = 0 WHERE address = ?", (to_us(at), address)
        )
        cuff_id = row_of(store, address)
        for table in ("cuff_handle", "cuff_characteristic", "cuff_manner"):
            store.query(f"DELETE FROM {table} WHERE cuff_id = ?", (cuff_id,))
        audit.record(store, at, "cuff forgotten", {"cuff": address})


def remember(store: Store, address: str, at: datetime) -> None:
    """Take a cuff in, new or forgotten before."""
    with store.transaction():
        row_of(store, address)
        if store.query(
            f"UPDATE cuff SET forgotten = 0, {_FORGOTTEN_LATER} WHERE address = ? AND forgotten", (to_us(at), address)
        ).rowcount:
            audit.record(store, at, "cuff added again", {"cuff": address})


def delivered(store: Store, wanted: str, after: int) -> str | None:
    """Address of the cuff with this address, or that calls itself so, of which a payload came after this row."""
    address: str | None = store.scalar(
        """SELECT address FROM payload JOIN cuff ON cuff.id = cuff_id
           WHERE payload.id > ?1 AND ?2 IN (address, advertised) LIMIT 1""",
        (after, wanted),
    )
    return address


def await_name(store: Store, name: str, until: datetime) -> None:
    """A cuff that calls itself so is visited until then, although it names no service."""
    with store.transaction():
        store.query("INSERT OR REPLACE INTO awaited VALUES (?, ?)", (name, to_us(until)))


def awaited(store: Store, now: datetime) -> frozenset[str]:
    """Names by which cuffs are waited for, and addresses that were added and under which nobody has come since."""
    rows = store.query(
        """SELECT name FROM awaited WHERE until > ? AND until <= ?
        UNION ALL SELECT address FROM cuff WHERE NOT forgotten AND address <> ?
        AND (forgotten_set_at NOTNULL OR NOT EXISTS (SELECT 1 FROM payload WHERE cuff_id = cuff.id))
        AND NOT EXISTS (SELECT 1 FROM visit WHERE cuff_id = cuff.id AND opened_at > coalesce(forgotten_set_at, 0))""",
        (*still_waited_for(now), HAND),
    )
    return frozenset(name for (name,) in rows)


def open_window(store: Store, until: datetime, at: datetime | None = None) -> None:
    """New cuffs are taken in until then although the configuration accepts known ones only.

    at: when somebody asked for it, for the history.
    """
    with store.transaction():
        store.query("DELETE FROM accept_window")
        store.query("INSERT INTO accept_window VALUES (?)", (to_us(until),))
        if at is not None:
            audit.record(store, at, "new cuffs let in", {"until": until.isoformat()})


def window(store: Store, now: datetime) -> datetime | None:
    """Until when new cuffs are taken in; None: not now."""
    query = "SELECT until FROM accept_window WHERE until > ? AND until <= ?"
    until = store.scalar(query, still_waited_for(now))
    return None if until is None else from_us(until)


def rows(store: Store, address: str | None = None) -> list[int]:
    """Rows of all cuffs, or of the one."""
    return [
        row[0] for row in store.query("SELECT id FROM cuff WHERE ?1 IS NULL OR address = ?1 ORDER BY id", (address,))
    ]

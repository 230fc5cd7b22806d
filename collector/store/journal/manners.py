"""What was learned of how a cuff wants to be visited, and where what it offers stands."""

from collections.abc import Iterable
from dataclasses import dataclass
from datetime import datetime
from itertools import takewhile

from collector.store import audit
from collector.store.database import Store
from collector.store.instants import from_us, to_us
from collector.store.journal import cuffs


@dataclass(frozen=True, slots=True)
class Place:
    """Where discovery found a characteristic. configuration: handle of its client configuration."""

    handle: int
    characteristic: int
    service: int | None
    properties: frozenset[str]
    configuration: int | None = None


@dataclass(frozen=True, slots=True)
class CuffManner:
    """kind: in the words of `collector.radio.facts.Manner`. detail: the step it is about. sure: else suspected."""

    kind: str
    detail: str
    sure: bool
    since: datetime


def learn_places(store: Store, visit: int, places: Iterable[Place]) -> None:
    """What the cuff of this visit offers, in place of what was known."""
    wanted = sorted(places, key=lambda place: place.handle)
    with store.transaction():
        cuff_id, address = _cuff_of(store, visit)
        if places_of(store, address) == wanted:
            return
        store.query("DELETE FROM cuff_characteristic WHERE cuff_id = ?", (cuff_id,))
        for place in wanted:
            words = ",".join(sorted(place.properties))
            store.query(
                "INSERT OR REPLACE INTO cuff_characteristic VALUES (?, ?, ?, ?, ?, ?)",
                (cuff_id, place.handle, place.characteristic, place.service, words, place.configuration),
            )


def places_of(store: Store, address: str) -> list[Place]:
    """By handle."""
    rows = store.query(
        """SELECT handle, characteristic, service, properties, configuration FROM cuff_characteristic
        WHERE cuff_id = (SELECT id FROM cuff WHERE address = ?) ORDER BY handle""",
        (address,),
    )
    return [
        Place(
            handle=handle,
            characteristic=characteristic,
            service=service,
            properties=frozenset(words.split(",")) - {""},
            configuration=configuration,
        )
        for handle, characteristic, service, words, configuration in rows
    ]


def learn(store: Store, visit: int, kind: str, detail: str, sure: bool, at: datetime) -> None:
    """A manner of this visit's cuff; what was suspected before and shows again is sure."""
    with store.transaction():
        cuff_id, _ = _cuff_of(store, visit)
        store.query(
            """INSERT INTO cuff_manner VALUES (?, ?, ?, ?, ?)
            ON CONFLICT (cuff_id, kind, detail) DO UPDATE SET sure = 1, since = excluded.since WHERE NOT sure""",
            (cuff_id, kind, detail, int(sure), to_us(at)),
        )


def unlearn(store: Store, visit: int, kind: str, detail: str) -> None:
    with store.transaction():
        cuff_id, _ = _cuff_of(store, visit)
        store.query("DELETE FROM cuff_manner WHERE (cuff_id, kind, detail) = (?, ?, ?)", (cuff_id, kind, detail))


def of(store: Store, address: str) -> list[CuffManner]:
    rows = store.query(
        """SELECT kind, detail, sure, since FROM cuff_manner
        WHERE cuff_id = (SELECT id FROM cuff WHERE address = ?) ORDER BY since, kind, detail""",
        (address,),
    )
    return [CuffManner(kind, detail, bool(sure), from_us(since)) for kind, detail, sure, since in rows]


def reset(store: Store, wanted: str, at: datetime) -> int:
    """Forget what was learned of a cuff, and where its characteristics are: its next visit is like its first.

    Returns how many manners that were. Raises StoreError where there is no such cuff.
    """
    address = cuffs.need(store, wanted)
    with store.transaction():
        cuff_id = cuffs.row_of(store, address)
        store.query("DELETE FROM cuff_characteristic WHERE cuff_id = ?", (cuff_id,))
        gone = store.query("DELETE FROM cuff_manner WHERE cuff_id = ?", (cuff_id,)).rowcount
        audit.record(store, at, "cuff manners reset", {"cuff": address, "manners": gone})
        return gone


def undelivered(store: Store, address: str) -> int:
    """Visits of a cuff so far, where none of them ever brought a payload; else 0."""
    visits: int = store.scalar(
        """SELECT count(*) FROM visit JOIN cuff ON cuff.id = cuff_id WHERE address = ? AND closed_at NOTNULL
        AND NOT EXISTS (SELECT 1 FROM payload WHERE payload.cuff_id = cuff.id)""",
        (address,),
    )
    return visits


def failed_lately(store: Store, address: str) -> int:
    """How many of a cuff's visits, counted back from the newest, failed and brought nothing."""
    rows = store.query(
        """SELECT outcome, EXISTS (SELECT 1 FROM payload WHERE visit_id = visit.id) FROM visit
        WHERE cuff_id = (SELECT id FROM cuff WHERE address = ?) AND closed_at NOTNULL
        ORDER BY opened_at DESC, id DESC LIMIT 100""",
        (address,),
    )
    return sum(1 for _ in takewhile(lambda row: (row[0] or "").startswith("failed") and not row[1], rows))


def last_outcome(store: Store, address: str) -> str | None:
    """How the newest visit of a cuff ended."""
    outcome: str | None = store.scalar(
        """SELECT outcome FROM visit WHERE cuff_id = (SELECT id FROM cuff WHERE address = ?) AND closed_at NOTNULL
        ORDER BY opened_at DESC, id DESC LIMIT 1""",
        (address,),
    )
    return outcome


def last_read(store: Store, address: str, characteristic: int) -> tuple[bytes, datetime] | None:
    """The newest value read of one characteristic, and when."""
    row = store.row(
        """SELECT value, at FROM visit_fact WHERE kind = 'read' AND characteristic = ?
        AND cuff_id = (SELECT id FROM cuff WHERE address = ?) ORDER BY at DESC LIMIT 1""",
        (characteristic, address),
    )
    return None if row is None else (row[0], from_us(row[1]))


def _cuff_of(store: Store, visit: int) -> tuple[int, str]:
    row = store.row("SELECT cuff_id, address FROM visit JOIN cuff ON cuff.id = cuff_id WHERE visit.id = ?", (visit,))
    assert row is not None
    return row[0], row[1]

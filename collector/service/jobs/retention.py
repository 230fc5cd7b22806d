"""Retention by rule: payloads that no reading rests on go after so many days. Off unless configured.

What goes: identical copies of a payload that its reading already rests on (a cuff that sent it again), payloads that
could not be decoded, fragments whose rest never came, cuff pressures while inflating. A reading's own payload is the
reading's evidence and stays as long as the reading does, so `rebuild` still gives every reading. Each time leaves an
audit line, in the transaction of the deletion, by which `rebuild` can say what it no longer has before it.
"""

from collections import Counter
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from pathlib import Path

from collector.service import machine_clock
from collector.store.database import Store, open_store
from collector.store.instants import from_us, to_us
from collector.store.people import audit

BATCH = 500
"""Payloads a transaction: the listener never waits long for its turn."""

# A copy goes only once its reading's every sighting is old: an unstamped record is recognised by its neighbours.
_DOOMED = """
    SELECT payload.id, kind FROM payload JOIN outcome ON outcome.payload_id = payload.id
    LEFT JOIN reading ON reading.id = outcome.reading
    LEFT JOIN payload AS first ON first.id = reading.payload_id
    WHERE payload.arrived_at < ?1 AND payload.clock_id IS NULL
    AND payload.uid NOT IN (SELECT payload_uid FROM claim)
    AND CASE WHEN outcome.reading IS NULL THEN kind IN ('undecodable', 'segment', 'pressure')
        ELSE kind = 'reading' AND payload.id <> first.id AND payload.value = first.value
        AND payload.characteristic = first.characteristic
        AND NOT EXISTS (SELECT 1 FROM outcome AS other JOIN payload AS sighting ON sighting.id = other.payload_id
            WHERE other.reading = reading.id AND (other.kind <> 'reading' OR sighting.arrived_at >= ?1))
        END
"""
GONE = "payloads taken away"
"""What the audit line says, with the rule's day and how many of each kind."""
_WORDS = {"reading": "copies", "undecodable": "undecodable", "segment": "fragments", "pressure": "cuff pressures"}


@dataclass(frozen=True, slots=True)
class Preview:
    """What a rule would take away. kinds: how many of each, in words; octets: of the payloads themselves."""

    before: datetime
    payloads: int
    kinds: dict[str, int]
    octets: int
    oldest: datetime | None


def preview(store: Store, days: int, now: datetime | None = None) -> Preview:
    """Reads only. days: as in the configuration, 0 for a rule that is off."""
    before = (now or datetime.now(UTC)) - timedelta(days=days)
    if days == 0:
        return Preview(before=before, payloads=0, kinds={}, octets=0, oldest=None)
    rows = store.query(
        f"SELECT kind, count(*), sum(length(value)), min(arrived_at) FROM ({_DOOMED}) AS doomed "
        "JOIN payload ON payload.id = doomed.id GROUP BY kind",
        (to_us(before),),
    ).fetchall()
    oldest = min((arrived for *_, arrived in rows), default=None)
    return Preview(
        before=before,
        payloads=sum(count for _, count, _, _ in rows),
        kinds={_WORDS[kind]: count for kind, count, _, _ in rows},
        octets=sum(octets for _, _, octets, _ in rows),
        oldest=None if oldest is None else from_us(oldest),
    )


def apply(store: Store, days: int, now: datetime | None = None) -> Preview:
    """Take away what `preview` names, for good: a merge does not bring it back. Raises StoreError."""
    now = now or datetime.now(UTC)
    found = preview(store, days, now)
    if not found.payloads:
        return found
    store.query("PRAGMA secure_delete=ON")
    while rows := store.query(f"{_DOOMED} LIMIT {BATCH}", (to_us(found.before),)).fetchall():
        with store.transaction():
            for payload, _ in rows:
                store.query(
                    "UPDATE reading SET sightings = sightings - 1 WHERE id = "
                    "(SELECT reading FROM outcome WHERE payload_id = ?)",
                    (payload,),
                )
                store.query("DELETE FROM outcome WHERE payload_id = ?", (payload,))
                store.query("INSERT OR IGNORE INTO erased SELECT uid FROM payload WHERE id = ?", (payload,))
                store.query("DELETE FROM payload WHERE id = ?", (payload,))
            kinds = Counter(_WORDS[kind] for _, kind in rows)
            audit.record(store, now, GONE, {"from before": f"{found.before:%Y-%m-%d}", **kinds})
    return found


def gone(store: Store) -> Counter[str]:
    """How many of each kind were ever taken away here, or at a station that was merged in."""
    counts: Counter[str] = Counter()
    for change in audit.changes(store):
        if change.what == GONE:
            counts.update({kind: change.detail.get(kind, 0) for kind in _WORDS.values()})
    return +counts


def daily(path: Path, days: int) -> Callable[[], str | None]:
    """The daily job of a rule that is on."""

    def work() -> str | None:
        if not machine_clock.believable():
            return "left for another day: this machine's clock is not to be believed yet"
        with open_store(path, create=False) as store:
            gone = apply(store, days)
        return words(gone) + " taken away" if gone.payloads else None

    return work


def words(found: Preview) -> str:
    return f"{found.payloads} payloads from before {found.before:%Y-%m-%d} ({_kinds(found.kinds)})"


def gone_words(counts: Mapping[str, int]) -> str:
    """What a rebuild cannot see again, in one sentence. Readings are never among it."""
    return (
        f"the retention rule took away payloads that no reading rests on ({_kinds(counts)}); what a later version "
        "might make of those is gone, readings are not"
    )


def _kinds(counts: Mapping[str, int]) -> str:
    return ", ".join(f"{count} {kind}" for kind, count in sorted(counts.items()))

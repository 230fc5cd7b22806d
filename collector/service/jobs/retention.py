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
from collector.share.text.layout import counted
from collector.store import audit, retention
from collector.store.database import Store
from collector.store.journal import payloads
from collector.store.opening import open_store

GONE = "payloads taken away"
"""What the audit line says, with the rule's day and how many of each kind."""
_WORDS = {
    "reading": "copies",
    "undecodable": "undecodable",
    "segment": "fragments",
    "pressure": "cuff pressures",
    "other": "other values",
}


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
    found = retention.spare(store, before)
    return Preview(
        before=before,
        payloads=sum(one.payloads for one in found),
        kinds={_WORDS[one.kind]: one.payloads for one in found},
        octets=sum(one.octets for one in found),
        oldest=min((one.oldest for one in found), default=None),
    )


def apply(store: Store, days: int, now: datetime | None = None) -> Preview:
    """Take away what `preview` names, for good: a merge does not bring it back. Raises StoreError."""
    now = now or datetime.now(UTC)
    found = preview(store, days, now)
    if not found.payloads:
        return found
    while True:
        with store.transaction():
            kinds = Counter(_WORDS[kind] for kind in retention.take_away(store, found.before))
            if not kinds:
                break
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
        with open_store(path, create=False) as store:
            if doubt := machine_clock.reason_to_doubt(datetime.now(UTC), payloads.newest_arrival(store)):
                return f"left for another day: {doubt}"
            gone = apply(store, days)
        return words(gone) + " taken away" if gone.payloads else None

    return work


def words(found: Preview) -> str:
    return f"{counted(found.payloads, 'payload')} from before {found.before:%Y-%m-%d} ({_kinds(found.kinds)})"


def gone_words(counts: Mapping[str, int]) -> str:
    """What a rebuild cannot see again, in one sentence. Readings are never among it."""
    return (
        f"the retention rule took away payloads that no reading rests on ({_kinds(counts)}); what a later version "
        "might make of those is gone, readings are not"
    )


def _kinds(counts: Mapping[str, int]) -> str:
    return ", ".join(f"{count} {kind}" for kind, count in sorted(counts.items()))

"""What a cuff's readings are settled by at the end of a visit, fetched at once; what comes of it, written at once."""

from collections.abc import Sequence
from dataclasses import dataclass

from collector.store.database import Store
from collector.store.instants import EVER
from collector.store.journal import derivation, same_cuff, stations, visit_facts, visits
from collector.store.journal.stations import UnsureClock
from collector.store.journal.visit_facts import ClockValue
from collector.store.people import slot_spans
from collector.store.readings import copies, corrections, owners, renewed_bonds, strikes, times, write
from collector.store.readings.copies import Stretch
from collector.store.readings.times import Time


@dataclass(frozen=True, slots=True)
class Unsettled:
    """since: from when on something is not taken into account (microseconds UTC). features: each as it was read.
    clock_values: the latest first, all since then and `before` more; spans: as `slot_spans.bounds_of_cuff`."""

    since: int
    unsure_clocks: Sequence[UnsureClock]
    zones: dict[int, list[tuple[int, str]]]
    clock_values: Sequence[ClockValue]
    features: Sequence[bytes]
    spans: Sequence[tuple[int, int, int | None, int | None, bool]]


@dataclass(frozen=True, slots=True)
class Settled:
    """What is to be written of a cuff: by readings' rows, when they were taken and whose they are (person's row, mark);
    checks: what the cuff can assess, where that is known. since: the readings looked at arrived from then on."""

    since: int
    times: Sequence[tuple[int, Time]]
    owners: Sequence[tuple[int, int | None, str | None]]
    checks: tuple[str, ...] | None


def visited(store: Store, visit: int) -> tuple[int, int | None]:
    """The cuff that was visited, and the one it was before its address changed, if it was another."""
    cuff_id = visits.cuff_of(store, visit)
    return cuff_id, same_cuff.earlier_self(store, cuff_id)


def unsettled(store: Store, cuff_id: int, before: int) -> Unsettled | None:
    """None where all is taken into account."""
    since = derivation.unsettled_from(store, cuff_id)
    if since is None:
        return None
    return Unsettled(
        since=since,
        unsure_clocks=stations.unsure_clocks(store),
        zones=stations.zones(store),
        clock_values=visit_facts.clock_values_since(store, cuff_id, since, before),
        features=first_feature(store, cuff_id),
        spans=slot_spans.bounds_of_cuff(store, cuff_id),
    )


def first_feature(store: Store, cuff_id: int) -> list[bytes]:
    """What the cuff first said it can do, if it ever did."""
    return [value for _, _, value in visit_facts.told_about(store, cuff_id, "read", visit_facts.FEATURE, EVER, EVER)]


def settle(store: Store, cuff_id: int, settled: Settled) -> None:
    """Call inside a transaction."""
    stood = copies.taken(store, cuff_id, settled.since)
    times.set_times(store, settled.times)
    owners.set_owners(store, settled.owners)
    if settled.times or settled.owners:
        corrections.mark(store)
    follow(store, cuff_id, settled.since, settled.checks, stood)
    derivation.note_settled(store, cuff_id, redone=False)


def follow(
    store: Store, cuff_id: int, since: int, checks: tuple[str, ...] | None, stood: Stretch | None = None
) -> None:
    """What hangs on more than a cuff's payloads: what it can do, what people said, its bond, what was written of it.

    stood: as `strikes.mark`.
    """
    if checks is not None:
        write.assess(store, cuff_id, checks)
    strikes.mark(store, cuff_id, since, stood)
    renewed_bonds.mark(store, cuff_id)

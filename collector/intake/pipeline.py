"""From the journal to readings: one payload, what was left over, or everything anew; always the same
answer."""

from collections.abc import Callable, Collection
from datetime import UTC, datetime

from collector.intake.cuff_facts import cuff_facts
from collector.intake.owner import assign_cuff, assign_reading
from collector.intake.repeats import Outcome
from collector.intake.sayings import Arrived
from collector.intake.taking_up import take_up, take_up_anew
from collector.intake.time.arrival_times import ArrivalTimes, arrival_times
from collector.intake.time.place import EVER, Placed, place_since
from collector.store.database import Store
from collector.store.instants import SECOND, to_us
from collector.store.journal import cuffs, derivation, payloads, same_cuff, stations, visits
from collector.store.readings import renewed_bonds, strikes, times, write
from collector.store.readings.times import Time
from collector.store.readings.write import Result
from collector.store.values import OutcomeKind

Progress = Callable[[int, int], None]
"""Called with (done, of)."""


def interpret(store: Store, payload: int) -> Outcome:
    """Take up one payload right after its commit. Idle, with the same answer, for one taken up before.

    Its time may still improve until `settle` at the end of the visit. Raises StoreError.
    """
    with store.transaction():
        found = payloads.get(store, payload)
        if found is None:
            raise ValueError(f"no payload {payload} in the journal")
        if (done := write.result_of(store, payload)) is not None:
            return _told_before(store, done)
        arrived = arrival_times(store)
        at = arrived.at(found.arrived_at, found.clock_id)
        latest = derivation.latest_arrival(store, found.cuff_id)
        if latest is not None and at < latest:
            _redo(store, found.cuff_id, arrived)  # out of order: what came later may look different now
            return _told_before(store, write.result_of(store, payload))
        outcome = take_up(store, Arrived(found, at, arrived.zone(found.station, at)), arrived)
        derivation.note_taken_up(store, found.cuff_id, at)
        if outcome.fresh and outcome.reading is not None:
            renewed_bonds.mark(store, found.cuff_id, outcome.reading)
        if found.visit is None:
            _settle_cuff(store, found.cuff_id, arrived)  # there is no end of a visit to wait for
        return outcome


def _told_before(store: Store, done: Result | None) -> Outcome:
    if done is None:
        return Outcome(OutcomeKind.UNDECODABLE)
    reading_id = None if done.reading is None else write.id_of(store, done.reading)
    return Outcome(OutcomeKind(done.kind), done.reading, reading_id, reason=done.reason)


def settle(store: Store, visit: int) -> bool:
    """At the end of a visit: let what was learned in it (clock, features) bear on all readings it concerns.

    Returns whether it was a visit under a passing address to a cuff that is known now: what came is that cuff's.
    """
    with store.transaction():
        cuff_id = visits.cuff_of(store, visit)
        first = _unite(store, cuff_id)
        if first is not None:
            _redo(store, first, arrival_times(store))
            return True
        for moved in _settle_cuff(store, cuff_id, arrival_times(store)):
            if moved.reading.visit != visit:
                _note(store, moved.reading.reading_id, moved.reading.time, moved.time)
        return False


def take_up_discovery(store: Store, visit: int) -> tuple[str, ...]:
    """After a discovery: values kept from places that it names first are read; returns the ids of new readings."""
    with store.transaction():
        cuff_id = visits.cuff_of(store, visit)
        if cuff_id not in derivation.cuffs_to_redo(store):
            return ()
        before = set(write.ids_of_cuff(store, cuff_id))
        _redo(store, cuff_id, arrival_times(store))
        return tuple(reading for reading in write.ids_of_cuff(store, cuff_id) if reading not in before)


def _unite(store: Store, cuff_id: int) -> int | None:
    """With its earlier self, as far as there is one: the cuff that both are now, to be derived again."""
    earlier = same_cuff.earlier_self(store, cuff_id)
    if earlier is None:
        return None
    first, second = same_cuff.met_first(store, cuff_id, earlier)
    write.drop_cuff(store, second)
    same_cuff.unite(store, second, first, datetime.now(UTC))
    return first


def catch_up(store: Store, progress: Progress | None = None) -> int:
    """Take up whatever a crash, a merge or a clock put right left to be done; returns how many payloads that were."""
    for cuff_id in same_cuff.passing(store):  # another station may have met it under another address
        with store.transaction():
            _unite(store, cuff_id)
    to_redo = derivation.cuffs_to_redo(store)
    of = sum(payloads.count_of_cuff(store, cuff_id) for cuff_id in to_redo)
    done = 0
    with store.roomy():
        for cuff_id in to_redo:
            with store.transaction():
                done += _redo(store, cuff_id, arrival_times(store))
            if progress:
                progress(done, of)
    waiting = payloads.waiting(store)
    for number, payload in enumerate(waiting, start=1):
        interpret(store, payload)
        if progress:
            progress(done + number, of + len(waiting))
    for cuff_id in derivation.cuffs_unsettled(store):
        with store.transaction():
            for moved in _settle_cuff(store, cuff_id, arrival_times(store)):
                _note(store, moved.reading.reading_id, moved.reading.time, moved.time)
    return done + len(waiting)


def rebuild(store: Store, progress: Progress | None = None) -> int:
    """Derive every reading again from the journal; returns how many there are.

    One cuff at a time, so that a listener waits for the store no longer than one cuff takes.
    """
    total = payloads.count(store)
    done = 0
    with store.roomy():
        for cuff_id in cuffs.rows(store):
            with store.transaction():
                done += _redo(store, cuff_id, arrival_times(store))
            if progress:
                progress(done, total)
    return write.count(store)


def derive_cuff(store: Store, address: str) -> None:
    """Derive one cuff's readings again from the journal."""
    with store.transaction():
        for cuff_id in cuffs.rows(store, address):
            _redo(store, cuff_id, arrival_times(store))


def _redo(store: Store, cuff_id: int, arrived: ArrivalTimes) -> int:
    """Derive one cuff anew; returns its number of payloads."""
    found = payloads.of_cuff(store, cuff_id)
    uids = stations.uids(store)
    batch = [
        Arrived(one, at := arrived.at(one.arrived_at, one.clock_id), arrived.zone(one.station, at)) for one in found
    ]
    batch.sort(key=lambda one: (one.at, uids[one.payload.station], one.payload.number, one.payload.uid))
    for before, after in take_up_anew(store, cuff_id, batch, arrived):
        _note(store, after.reading_id, before.time, after.time)
    if batch:
        derivation.note_taken_up(store, cuff_id, batch[-1].at)
    _follow(store, cuff_id, EVER)
    derivation.note_settled(store, cuff_id, redone=True)
    return len(batch)


def _settle_cuff(store: Store, cuff_id: int, arrived: ArrivalTimes) -> list[Placed]:
    """Let whatever is not taken into account yet bear on all readings it concerns; returns those that moved."""
    start = derivation.unsettled_from(store, cuff_id)
    if start is None:
        return []
    moved, since = place_since(store, cuff_id, arrived, start)
    times.set_times(store, [(one.reading.row, one.time) for one in moved])
    assign_cuff(store, cuff_id, since)
    _follow(store, cuff_id, since)
    derivation.note_settled(store, cuff_id, redone=False)
    return moved


def _follow(store: Store, cuff_id: int, since: int) -> None:
    """What hangs on more than a cuff's payloads: what it can do, what people said, its bond, what was written of it."""
    if (feature := cuff_facts(store, cuff_id, EVER, EVER).feature_at(EVER)) is not None:
        write.assess(store, cuff_id, feature.checks())
    strikes.mark(store, cuff_id, since)
    renewed_bonds.mark(store, cuff_id)


def _note(store: Store, reading_id: str, before: Time, after: Time) -> None:
    """Write down that a known reading's time was improved."""
    if abs(after.taken_at - before.taken_at) >= SECOND or after.basis != before.basis:
        times.record_retimed(store, reading_id, to_us(datetime.now(UTC)), before, after)


def reassign(
    store: Store, *, cuff: str | None = None, reading_id: str | None = None, but: Collection[int] = ()
) -> None:
    """After spans, claims or people changed: find the owners of one reading, a cuff's (address) or all anew, but those
    of some cuffs (rows)."""
    with store.transaction():
        if reading_id is not None:
            row = write.row_of(store, reading_id)
            assert row is not None
            assign_reading(store, row)
            return
        for cuff_id in set(cuffs.rows(store, cuff)).difference(but):
            assign_cuff(store, cuff_id)

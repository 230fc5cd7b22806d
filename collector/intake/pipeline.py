"""From the journal to readings: one payload, what was left over, or everything anew; always the same
answer."""

from collections.abc import Callable
from datetime import UTC, datetime

from collector.intake.owner import assign_cuff, assign_reading
from collector.intake.repeats import Outcome, feature_at, recognise
from collector.intake.time.arrival_times import ArrivalTimes, arrival_times
from collector.intake.time.place import EVER, Placed, place_one, place_since
from collector.store.database import Store
from collector.store.instants import SECOND, to_us
from collector.store.journal import cuffs, derivation, payloads, same_cuff, stations, visits
from collector.store.journal.payloads import Payload
from collector.store.readings import renewed_bonds, strikes, times, write
from collector.store.readings.times import Time
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
        if (done := write.outcome_of(store, payload)) is not None:
            kind, reading, reason = done
            return Outcome(kind, reading, _id_of(store, reading), reason=reason)
        arrived = arrival_times(store)
        at = arrived.at(found.arrived_at, found.clock_id)
        latest = derivation.latest_arrival(store, found.cuff_id)
        if latest is not None and at < latest:
            _redo(store, found.cuff_id, arrived)  # out of order: what came later may look different now
            kind, reading, reason = write.outcome_of(store, payload) or (OutcomeKind.UNDECODABLE, None, None)
            return Outcome(kind, reading, _id_of(store, reading), reason=reason)
        outcome = _take_up(store, found, arrived)
        if outcome.fresh and outcome.reading is not None:
            place_one(store, found.cuff_id, outcome.reading, arrived)
            assign_reading(store, outcome.reading)
            renewed_bonds.mark(store, found.cuff_id, outcome.reading)
        if found.visit is None:
            _settle_cuff(store, found.cuff_id, arrived)  # there is no end of a visit to wait for
        return outcome


def settle(store: Store, visit: int) -> None:
    """At the end of a visit: let what was learned in it (clock, features) bear on all readings it
    concerns."""
    with store.transaction():
        cuff_id = visits.cuff_of(store, visit)
        for moved in _settle_cuff(store, cuff_id, arrival_times(store)):
            if moved.reading.visit != visit:
                _note(store, moved.reading.reading_id, moved.reading.time, moved.time)


def take_up_discovery(store: Store, visit: int) -> tuple[str, ...]:
    """After a discovery: values kept from places that it names first are read; returns the ids of new readings."""
    with store.transaction():
        cuff_id = visits.cuff_of(store, visit)
        if cuff_id not in derivation.cuffs_to_redo(store):
            return ()
        before = times.times_of(store, cuff_id)
        _redo(store, cuff_id, arrival_times(store))
        return tuple(reading for reading in times.times_of(store, cuff_id) if reading not in before)


def unite_passing(store: Store, visit: int) -> bool:
    """After a visit under a passing address: what came belongs to the cuff that it was before. Whether it did so."""
    with store.transaction():
        cuff_id = visits.cuff_of(store, visit)
        earlier = same_cuff.earlier_self(store, cuff_id)
        if earlier is None:
            return False
        first, second = sorted((cuff_id, earlier))
        write.drop_cuff(store, second)
        same_cuff.unite(store, second, first, datetime.now(UTC))
        _redo(store, first, arrival_times(store))
        return True


def catch_up(store: Store, progress: Progress | None = None) -> int:
    """Take up whatever a crash, a merge or a clock put right left to be done; returns how many payloads that were."""
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
    before = times.times_of(store, cuff_id)
    write.drop_cuff(store, cuff_id)
    found = payloads.of_cuff(store, cuff_id)
    uids = stations.uids(store)
    found.sort(key=lambda one: (arrived.at(one.arrived_at, one.clock_id), uids[one.station], one.number, one.uid))
    for one in found:
        at = arrived.at(one.arrived_at, one.clock_id)
        recognise(store, one, at, arrived.zone(one.station, at))
    if found:
        derivation.note_taken_up(store, cuff_id, max(arrived.at(one.arrived_at, one.clock_id) for one in found))
    for moved in _settle_cuff(store, cuff_id, arrived, everything=True):
        if (was := before.get(moved.reading.reading_id)) is not None:
            _note(store, moved.reading.reading_id, was, moved.time)
    return len(found)


def _take_up(store: Store, payload: Payload, arrived: ArrivalTimes) -> Outcome:
    at = arrived.at(payload.arrived_at, payload.clock_id)
    outcome = recognise(store, payload, at, arrived.zone(payload.station, at))
    derivation.note_taken_up(store, payload.cuff_id, at)
    return outcome


def _settle_cuff(store: Store, cuff_id: int, arrived: ArrivalTimes, everything: bool = False) -> list[Placed]:
    """Let whatever is not taken into account yet bear on all readings it concerns; returns those that moved."""
    feature = feature_at(store, cuff_id, EVER)
    if feature is not None:
        write.assess(store, cuff_id, feature.checks())
    start = EVER if everything else derivation.unsettled_from(store, cuff_id)
    if start is None:
        return []
    moved, since = place_since(store, cuff_id, arrived, start)
    assign_cuff(store, cuff_id, since)
    strikes.mark_struck(store, cuff_id)
    renewed_bonds.mark(store, cuff_id)
    strikes.mark_copies(store, cuff_id, since)
    derivation.note_settled(store, cuff_id, everything)
    return moved


def _note(store: Store, reading_id: str, before: Time, after: Time) -> None:
    """Write down that a known reading's time was improved."""
    if abs(after.taken_at - before.taken_at) >= SECOND or after.basis != before.basis:
        times.record_retimed(store, reading_id, to_us(datetime.now(UTC)), before, after)


def reassign(store: Store, *, cuff: str | None = None, reading_id: str | None = None) -> None:
    """After spans, claims or people changed: find the owners of one reading, a cuff's (address) or all
    anew."""
    with store.transaction():
        if reading_id is not None:
            row = write.row_of(store, reading_id)
            assert row is not None
            assign_reading(store, row)
            return
        for cuff_id in cuffs.rows(store, cuff):
            assign_cuff(store, cuff_id)


def _id_of(store: Store, reading: int | None) -> str | None:
    return None if reading is None else write.id_of(store, reading)

"""From the journal to readings: one payload, what was left over, or everything anew; always the same
answer."""

from collections.abc import Collection, Mapping
from dataclasses import replace
from datetime import UTC, datetime

from collector.intake.cuff_facts import checks_of
from collector.intake.decode import Content
from collector.intake.owner import OwnerSpan, assign_cuff, owners_to_set
from collector.intake.repeats import PayloadOutcome
from collector.intake.sayings import SEGMENTS_WITHIN_US, Arrived
from collector.intake.taking_up import take_up, take_up_anew
from collector.intake.time.arrival_times import ArrivalTimes, arrival_times, corrections
from collector.intake.time.place import VALUES_BEFORE, VALUES_FOR_ONE, Placed, place_since
from collector.store.database import Store
from collector.store.instants import EVER, SECOND, to_us
from collector.store.journal import cuffs, derivation, payloads, same_cuff, stations, visits
from collector.store.readings import copies, just_come, owners, times, unsettled, write
from collector.store.readings.times import Stored, Time
from collector.store.readings.unsettled import Settled
from collector.store.readings.write import Result
from collector.store.values import OutcomeKind, Progress


def interpret(store: Store, payload: int) -> PayloadOutcome:
    """Take up one payload right after its commit. Idle, with the same answer, for one taken up before.

    Its time may still improve until `settle` at the end of the visit. Raises StoreError.
    """
    with store.transaction():
        found = just_come.bearing(store, payload, SEGMENTS_WITHIN_US, VALUES_FOR_ONE)
        if found is None:
            raise ValueError(f"no payload {payload} in the journal")
        if found.done is not None:
            return _told_before(store, found.done)
        came, arrived = found.payload, ArrivalTimes(corrections(found.unsure_clocks), found.zones)
        at = arrived.at(came.arrived_at, came.clock_id)
        if found.latest is not None and at < found.latest:
            before = set(write.ids_of_cuff(store, came.cuff_id))
            _redo(store, came.cuff_id, arrived)  # out of order: what came later may look different now
            outcome = _told_before(store, write.result_of(store, payload))
            return outcome._replace(fresh=outcome.reading_id is not None and outcome.reading_id not in before)
        outcome = take_up(store, found, Arrived(came, at, arrived.zone(came.station, at)), arrived)
        if came.visit is None:
            _settle_cuff(store, came.cuff_id)  # there is no end of a visit to wait for
        return outcome


def _told_before(store: Store, done: Result | None) -> PayloadOutcome:
    if done is None:
        return PayloadOutcome(OutcomeKind.UNDECODABLE)
    reading_id = None if done.reading is None else write.id_of(store, done.reading)
    return PayloadOutcome(OutcomeKind(done.kind), done.reading, reading_id, reason=done.reason)


def settle(store: Store, visit: int) -> bool:
    """At the end of a visit: let what was learned in it (clock, features) bear on all readings it concerns.

    Returns whether it was a visit under a passing address to a cuff that is known now: what came is that cuff's.
    """
    with store.transaction():
        cuff_id, earlier = unsettled.visited(store, visit)
        if earlier is not None:
            _redo(store, _unite(store, cuff_id, earlier), arrival_times(store))
            return True
        for moved in _settle_cuff(store, cuff_id):
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


def _unite(store: Store, cuff_id: int, earlier: int) -> int:
    """With its earlier self: the cuff that both are now, to be derived again."""
    first, second = same_cuff.met_first(store, cuff_id, earlier)
    write.drop_cuff(store, second)
    same_cuff.unite(store, second, first, datetime.now(UTC))
    return first


def catch_up(store: Store, progress: Progress | None = None) -> int:
    """Take up whatever a crash, a merge or a clock put right left to be done; returns how many payloads that were."""
    for cuff_id in same_cuff.passing(store):  # another station may have met it under another address
        with store.transaction():
            if (earlier := same_cuff.earlier_self(store, cuff_id)) is not None:
                _unite(store, cuff_id, earlier)
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
            for moved in _settle_cuff(store, cuff_id):
                _note(store, moved.reading.reading_id, moved.reading.time, moved.time)
    return done + len(waiting)


def rebuild(store: Store, progress: Progress | None = None) -> int:
    """Derive every reading again from the journal; returns how many there are.

    One cuff at a time, so that a listener waits for the store no longer than one cuff takes.
    """
    total = payloads.count(store)
    done = 0
    with store.roomy():
        with store.transaction():
            write.drop_unreadable(store)
        for cuff_id in cuffs.rows(store):
            with store.transaction():
                done += _redo(store, cuff_id, arrival_times(store))
            if progress:
                progress(done, total)
    return write.count(store)


def derive_cuff(store: Store, address: str, said: Mapping[int, tuple[str, Content]] | None = None) -> None:
    """Derive one cuff's readings again from the journal. said: by the payload's row, as `Arrived` has it."""
    with store.transaction():
        for cuff_id in cuffs.rows(store, address):
            _redo(store, cuff_id, arrival_times(store), said)


def _redo(
    store: Store, cuff_id: int, arrived: ArrivalTimes, said: Mapping[int, tuple[str, Content]] | None = None
) -> int:
    """Derive one cuff anew; returns its number of payloads."""
    found = payloads.of_cuff(store, cuff_id)
    uids = stations.uids(store)
    batch = []
    for one in found:
        at = arrived.at(one.arrived_at, one.clock_id)
        batch.append(Arrived(one, at, arrived.zone(one.station, at), said.get(one.row) if said else None))
    batch.sort(key=lambda one: (one.at, uids[one.payload.station], one.payload.number, one.payload.uid))
    stood = copies.taken(store, cuff_id, EVER)
    for before, after in take_up_anew(store, cuff_id, batch, arrived):
        _note(store, after.reading_id, before.time, after.time)
    if batch:
        derivation.note_taken_up(store, cuff_id, batch[-1].at)
    unsettled.follow(store, cuff_id, EVER, checks_of(unsettled.first_feature(store, cuff_id)), stood)
    derivation.note_settled(store, cuff_id, redone=True)
    return len(batch)


def _settle_cuff(store: Store, cuff_id: int) -> list[Placed]:
    """Let whatever is not taken into account yet bear on all readings it concerns; returns those that moved."""
    found = unsettled.unsettled(store, cuff_id, VALUES_BEFORE)
    if found is None:
        return []
    arrived = ArrivalTimes(corrections(found.unsure_clocks), found.zones)
    moved, since = place_since(found.clock_values, Stored(store, cuff_id), arrived, found.since)
    new = {one.reading.row: one.time for one in moved}
    readings = (
        replace(one, taken_at=time.taken_at, uncertainty_s=time.uncertainty_s) if (time := new.get(one.row)) else one
        for one in owners.owned(store, cuff_id=cuff_id, since=since)
    )
    to_set = owners_to_set(readings, [OwnerSpan(*bounds) for bounds in found.spans])
    unsettled.settle(store, cuff_id, Settled(since, list(new.items()), list(to_set), checks_of(found.features)))
    return moved


def _note(store: Store, reading_id: str, before: Time, after: Time) -> None:
    """Write down that a known reading's time was improved."""
    if abs(after.taken_at - before.taken_at) >= SECOND or after.basis != before.basis:
        times.record_retimed(store, reading_id, to_us(datetime.now(UTC)), before, after)


def reassign(store: Store, *, cuff: str | None = None, but: Collection[int] = ()) -> None:
    """After spans, claims or people changed: find the owners of a cuff's readings (by its address) or of all anew, but
    those of some cuffs (rows)."""
    with store.transaction():
        for cuff_id in set(cuffs.rows(store, cuff)).difference(but):
            assign_cuff(store, cuff_id)

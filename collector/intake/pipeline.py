"""From the journal to readings: one payload, what was left over, or everything anew; always the same
answer."""

from collections.abc import Callable
from datetime import UTC, datetime

from collector.intake.owner import assign_cuff, assign_reading
from collector.intake.repeats import Outcome, feature_at, recognise
from collector.intake.time.arrival import Arrivals, arrivals
from collector.intake.time.place import EVER, Placed, place_one, place_since
from collector.store.database import Store
from collector.store.instants import SECOND, to_us
from collector.store.readings import times, write
from collector.store.readings.times import Time
from collector.store.readings.write import Heard

Progress = Callable[[int, int], None]
"""Called with (done, of)."""


def interpret(store: Store, payload: int) -> Outcome:
    """Take up one payload right after its commit. Idle, with the same answer, for one taken up before.

    Its time may still improve until `settle` at the end of the visit. Raises StoreError.
    """
    with store.transaction():
        heard = write.heard(store, payload)
        if heard is None:
            raise ValueError(f"no payload {payload} in the journal")
        if (done := write.outcome_of(store, payload)) is not None:
            kind, reading, reason = done
            return Outcome(kind, reading, _id_of(store, reading), reason=reason)
        arrived = arrivals(store)
        at = arrived.at(heard.arrived_at, heard.clock_id)
        latest = write.latest_arrival(store, heard.cuff_id)
        if latest is not None and at < latest:
            _redo(store, heard.cuff_id, arrived)  # out of order: what came later may look different now
            kind, reading, reason = write.outcome_of(store, payload) or ("undecodable", None, None)
            return Outcome(kind, reading, _id_of(store, reading), reason=reason)
        outcome = _take_up(store, heard, arrived)
        if outcome.fresh and outcome.reading is not None:
            place_one(store, heard.cuff_id, outcome.reading, arrived)
            assign_reading(store, outcome.reading)
        if heard.visit is None:
            _settle_cuff(store, heard.cuff_id, arrived)  # there is no end of a visit to wait for
        return outcome


def settle(store: Store, visit: int) -> None:
    """At the end of a visit: let what was learned in it (clock, features) bear on all readings it
    concerns."""
    with store.transaction():
        cuff_id = store.scalar("SELECT cuff_id FROM visit WHERE id = ?", (visit,))
        for moved in _settle_cuff(store, cuff_id, arrivals(store)):
            if moved.reading.visit != visit:
                _note(store, moved.reading.reading_id, moved.reading.time, moved.time)


def catch_up(store: Store, progress: Progress | None = None) -> int:
    """Take up whatever a crash, a merge or a clock put right left to be done; returns how many payloads that were."""
    to_redo = write.cuffs_to_redo(store)
    of = sum(write.payloads_of(store, cuff_id) for cuff_id in to_redo)
    done = 0
    with store.roomy():
        for cuff_id in to_redo:
            with store.transaction():
                done += _redo(store, cuff_id, arrivals(store))
            if progress:
                progress(done, of)
    waiting = write.waiting(store)
    for number, payload in enumerate(waiting, start=1):
        interpret(store, payload)
        if progress:
            progress(done + number, of + len(waiting))
    for cuff_id in write.cuffs_unsettled(store):
        with store.transaction():
            for moved in _settle_cuff(store, cuff_id, arrivals(store)):
                _note(store, moved.reading.reading_id, moved.reading.time, moved.time)
    return done + len(waiting)


def rebuild(store: Store, progress: Progress | None = None) -> int:
    """Derive every reading again from the journal; returns how many there are.

    One cuff at a time, so that a listener waits for the store no longer than one cuff takes.
    """
    total = store.scalar("SELECT count(*) FROM payload")
    done = 0
    with store.roomy():
        for cuff_id in write.every_cuff(store):
            with store.transaction():
                done += _redo(store, cuff_id, arrivals(store))
            if progress:
                progress(done, total)
    return int(store.scalar("SELECT count(*) FROM reading"))


def derive_cuff(store: Store, address: str) -> None:
    """Derive one cuff's readings again from the journal."""
    with store.transaction():
        for cuff_id in write.every_cuff(store, address):
            _redo(store, cuff_id, arrivals(store))


def _redo(store: Store, cuff_id: int, arrived: Arrivals) -> int:
    """Derive one cuff anew; returns its number of payloads."""
    before = times.times_of(store, cuff_id)
    write.drop_cuff(store, cuff_id)
    heard = write.heard_of_cuff(store, cuff_id)
    stations = dict(store.query("SELECT id, uid FROM station").fetchall())
    heard.sort(key=lambda one: (arrived.at(one.arrived_at, one.clock_id), stations[one.station], one.number, one.uid))
    for one in heard:
        _take_up(store, one, arrived)
    for moved in _settle_cuff(store, cuff_id, arrived, everything=True):
        if (was := before.get(moved.reading.reading_id)) is not None:
            _note(store, moved.reading.reading_id, was, moved.time)
    return len(heard)


def _take_up(store: Store, heard: Heard, arrived: Arrivals) -> Outcome:
    at = arrived.at(heard.arrived_at, heard.clock_id)
    outcome = recognise(store, heard, at, arrived.zone(heard.station, at))
    write.note_taken_up(store, heard.cuff_id, at)
    return outcome


def _settle_cuff(store: Store, cuff_id: int, arrived: Arrivals, everything: bool = False) -> list[Placed]:
    """Let whatever is not taken into account yet bear on all readings it concerns; returns those that moved."""
    feature = feature_at(store, cuff_id, EVER)
    if feature is not None:
        write.assess(store, cuff_id, feature.checks())
    start = EVER if everything else write.unsettled_from(store, cuff_id)
    if start is None:
        return []
    moved, since = place_since(store, cuff_id, arrived, start)
    assign_cuff(store, cuff_id, since)
    write.note_settled(store, cuff_id, everything)
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
            assign_reading(store, store.scalar("SELECT id FROM reading WHERE reading_id = ?", (reading_id,)))
            return
        for cuff_id in write.every_cuff(store, cuff):
            assign_cuff(store, cuff_id)


def _id_of(store: Store, reading: int | None) -> str | None:
    return store.scalar("SELECT reading_id FROM reading WHERE id = ?", (reading,)) if reading is not None else None

"""From the journal to readings: one payload, what was left over, or everything anew; always the same
answer."""

from collections.abc import Callable
from datetime import UTC, datetime

from collector.intake.arrivals import Arrivals, arrivals
from collector.intake.owner import assign
from collector.intake.placing import place_cuff
from collector.intake.recognise import Outcome, recognise
from collector.store import derived
from collector.store.database import Store
from collector.store.derived import Heard
from collector.store.instants import to_us

Progress = Callable[[int, int], None]
"""Called with (done, of)."""


def interpret(store: Store, payload: int) -> Outcome:
    """Take up one payload right after its commit. Idle, with the same answer, for one taken up before.

    Its time may still improve until `settle` at the end of the visit. Raises StoreError.
    """
    with store.transaction():
        heard = derived.heard(store, payload)
        if heard is None:
            raise ValueError(f"no payload {payload} in the journal")
        if (done := derived.outcome_of(store, payload)) is not None:
            kind, reading, reason = done
            return Outcome(kind, reading, _id_of(store, reading), reason=reason)
        arrived = arrivals(store)
        at = arrived.at(heard.arrived_at, heard.clock_id)
        latest = store.scalar("SELECT latest FROM derived WHERE cuff_id = ?", (heard.cuff_id,))
        if latest is not None and at < latest:
            _redo(store, heard.cuff_id, arrived)  # out of order: what came later may look different now
            kind, reading, reason = derived.outcome_of(store, payload) or ("undecodable", None, None)
            return Outcome(kind, reading, _id_of(store, reading), reason=reason)
        outcome = _take_up(store, heard, arrived)
        if outcome.fresh and outcome.reading is not None:
            place_cuff(store, heard.cuff_id, arrived, only=outcome.reading)
            assign(store, reading=outcome.reading)
        return outcome


def settle(store: Store, visit: int) -> None:
    """At the end of a visit: let what was learned in it (clock, features) bear on all readings it
    concerns."""
    with store.transaction():
        cuff_id = store.scalar("SELECT cuff_id FROM visit WHERE id = ?", (visit,))
        _settle_cuff(store, cuff_id, arrivals(store))


def catch_up(store: Store, progress: Progress | None = None) -> int:
    """Take up whatever a crash left between commit and interpretation; returns how many payloads that
    were."""
    waiting = derived.waiting(store)
    for done, payload in enumerate(waiting):
        interpret(store, payload)
        if progress:
            progress(done + 1, len(waiting))
    with store.transaction():
        arrived = arrivals(store)
        for cuff_id in derived.cuffs_to_redo(store):
            _redo(store, cuff_id, arrived)
        for cuff_id in derived.cuffs_behind(store):
            _settle_cuff(store, cuff_id, arrived)
    return len(waiting)


def rebuild(store: Store, progress: Progress | None = None) -> int:
    """Derive every reading again from the journal; returns how many there are. All or nothing."""
    with store.transaction():
        arrived = arrivals(store)
        total = store.scalar("SELECT count(*) FROM payload")
        done = 0
        for cuff_id in derived.every_cuff(store):
            done += _redo(store, cuff_id, arrived)
            if progress:
                progress(done, total)
        return int(store.scalar("SELECT count(*) FROM reading"))


def _redo(store: Store, cuff_id: int, arrived: Arrivals) -> int:
    """Derive one cuff anew; returns its number of payloads."""
    before = dict(
        store.query("SELECT reading_id, taken_at FROM reading WHERE cuff_id = ?", (cuff_id,)).fetchall()
    )
    derived.drop_cuff(store, cuff_id)
    heard = derived.heard_of_cuff(store, cuff_id)
    stations = dict(store.query("SELECT id, uid FROM station").fetchall())
    heard.sort(key=lambda one: (arrived.at(one.arrived_at, one.clock_id), stations[one.station], one.payload))
    for one in heard:
        _take_up(store, one, arrived)
    _settle_cuff(store, cuff_id, arrived)
    del before
    return len(heard)


def _take_up(store: Store, heard: Heard, arrived: Arrivals) -> Outcome:
    at = arrived.at(heard.arrived_at, heard.clock_id)
    outcome = recognise(store, heard, at, arrived.zone(heard.station, at))
    store.query(
        "INSERT INTO derived (cuff_id, latest) VALUES (?, ?) ON CONFLICT (cuff_id) DO UPDATE "
        "SET latest = max(latest, excluded.latest)",
        (heard.cuff_id, at),
    )
    return outcome


def _settle_cuff(store: Store, cuff_id: int, arrived: Arrivals) -> None:
    facts = store.scalar("SELECT coalesce(max(id), 0) FROM visit_fact WHERE cuff_id = ?", (cuff_id,))
    place_cuff(store, cuff_id, arrived, noted_at=to_us(datetime.now(UTC)))
    assign(store, cuff_id=cuff_id)
    derived.mark_derived(store, cuff_id, facts)


def _id_of(store: Store, reading: int | None) -> str | None:
    return (
        store.scalar("SELECT reading_id FROM reading WHERE id = ?", (reading,))
        if reading is not None
        else None
    )

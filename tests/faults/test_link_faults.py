"""The link is cut before, in and after every step of a visit: whatever was measured is in the store, once."""

from dataclasses import replace
from datetime import timedelta
from pathlib import Path

import pytest
from air import fill, room
from kept import compared, store_sink

from collector.radio.plan import SetClock, VisitPlan
from collector.radio.virtual import Behaviour, Drop, VirtualCuff

pytestmark = pytest.mark.usefixtures("no_waiting")

WHEN = ("before", "during", "after")
FIRST_VISIT = (
    "connect", "encrypted", "discover", "characteristics", "read 2a2b", "read 2a49", "read 2a19", "read 2a29",
    "descriptors", "subscribe 2a35", "indicate", "confirm",
)  # fmt: skip
LATER_VISIT = ("connect", "encrypted", "indicate", "confirm", "discover", "read 2a2b", "subscribe 2a35")
RECORDS_VISIT = ("subscribe 2b36", "subscribe 2a52", "write 2a52", "notify", "confirm")
QUICK = Behaviour(lingers_s=0.05, patience_s=2.0, advertises_s=5.0)


def quick(**changes: object) -> Behaviour:
    from dataclasses import replace

    return replace(QUICK, **changes)


@pytest.mark.parametrize("when", WHEN)
@pytest.mark.parametrize("step", FIRST_VISIT)
async def test_first_visit(tmp_path: Path, step: str, when: str) -> None:
    # It stays until the first quiet is over, and its descriptors have to be looked at.
    cuff = VirtualCuff(behaviour=quick(drop=Drop(step, when), lingers_s=0.4, described_in_words=True))
    fill(cuff, 4)
    with store_sink(tmp_path) as sink:
        async with room(cuff, sink=sink) as air:
            await air.wake()
            fill(cuff, 2)
            await air.wake(times=2)
        found = compared(sink.store, [cuff])
    assert cuff.cuts.total() == 1
    assert found.measured == 6
    assert found.good, found
    assert len(cuff.memory.records) == 0, "the cuff keeps nothing that is in the store"


@pytest.mark.parametrize("when", WHEN)
@pytest.mark.parametrize("nth", [1, 2, 4])
@pytest.mark.parametrize("step", ["indicate", "confirm"])
async def test_at_each_record(tmp_path: Path, step: str, nth: int, when: str) -> None:
    cuff = VirtualCuff(behaviour=quick(drop=Drop(step, when, nth, times=2)))
    with store_sink(tmp_path) as sink:
        async with room(cuff, sink=sink) as air:
            for _ in range(4):
                fill(cuff, 4)
                await air.wake()
            await air.wake(times=2)
        found = compared(sink.store, [cuff])
    assert cuff.cuts.total() == 2
    assert found.measured == 16
    assert found.good, found
    assert not cuff.memory.records


@pytest.mark.parametrize("when", WHEN)
@pytest.mark.parametrize("step", LATER_VISIT)
async def test_a_later_visit_of_a_bonded_cuff(tmp_path: Path, step: str, when: str) -> None:
    cuff = VirtualCuff(behaviour=QUICK)
    with store_sink(tmp_path) as sink:
        async with room(cuff, sink=sink) as air:
            fill(cuff, 2)
            await air.wake()
            cuff.behaviour = replace(cuff.behaviour, drop=Drop(step, when))
            fill(cuff, 4)
            await air.wake(times=3)
        found = compared(sink.store, [cuff])
    assert cuff.cuts.total() == 1
    assert found.measured == 6
    assert found.good, found
    assert not cuff.memory.records


@pytest.mark.parametrize("when", WHEN)
@pytest.mark.parametrize("step", RECORDS_VISIT)
async def test_a_visit_that_fetches_stored_records(tmp_path: Path, step: str, when: str) -> None:
    cuff = VirtualCuff(
        behaviour=quick(
            lingers_s=0.5, keeps_records=True, enhanced=True, crc=True, features=0x40, drop=Drop(step, when)
        )
    )
    fill(cuff, 4)
    with store_sink(tmp_path) as sink:
        async with room(cuff, sink=sink) as air:
            await air.wake()
            fill(cuff, 2)
            await air.wake(times=2)
        from collector.store import readings

        kept = list(readings.select(sink.store))
    assert cuff.cuts.total() == 1
    assert len({reading.reading_id for reading in kept}) == len(kept) == 6


@pytest.mark.parametrize("when", WHEN)
@pytest.mark.parametrize("step", ["read 2a2b", "write 2a2b"])
async def test_while_the_clock_is_set(tmp_path: Path, step: str, when: str, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("collector.radio.visit.QUIET_S", 0.02)
    monkeypatch.setattr("collector.radio.visit.LOOK_S", 0.01)
    nth = 2 if step.startswith("read") else 1  # the first reading of the clock is another step's
    cuff = VirtualCuff(behaviour=quick(lingers_s=0.2, drop=Drop(step, when, nth)), clock_ahead=timedelta(days=-900))
    fill(cuff, 3)
    with store_sink(tmp_path) as sink:
        async with room(cuff, sink=sink, plan=VisitPlan(set_clock=SetClock.ALWAYS)) as air:
            await air.wake()
            fill(cuff, 2)
            await air.wake()
        found = compared(sink.store, [cuff])
    assert cuff.cuts.total() == 1, list(cuff.steps)
    assert found.measured == 5
    assert found.good, found

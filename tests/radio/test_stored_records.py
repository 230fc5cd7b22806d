"""Stored records on request (service 1.1): from the newest known one on, and never a gap."""

from dataclasses import replace
from pathlib import Path

import pytest
from air import NoteSink, fill, room
from kept import store_sink

from collector.radio.learned import Learned, Manner
from collector.radio.plan import VisitPlan
from collector.radio.virtual import Behaviour, VirtualCuff
from collector.store import readings
from parsers.measurement import parse_enhanced
from parsers.record import Reassembler, Record

KEEPS = Behaviour(enhanced=True, keeps_records=True, lingers_s=0.4)
ALL, COUNT_ALL, LAST, ABORT = "records 0101", "records 0401", "records 0106", "records 0300"


def told(sink: NoteSink) -> list[bytes]:
    """The whole records among what came, repeats included."""
    whole = Reassembler(crc=False)
    found = [item for arrival in sink.arrivals for item in whole.feed(arrival.value)]
    return [item.value for item in found if isinstance(item, Record)]


def asked(cuff: VirtualCuff) -> list[str]:
    return [step for step in cuff.steps if step.startswith("records")]


async def test_later_visits_ask_from_the_newest_known_record_on() -> None:
    cuff = VirtualCuff(behaviour=KEEPS)
    fill(cuff, 40)
    async with room(cuff) as air:
        await air.wake()
        assert told(air.sink) == cuff.measured
        fill(cuff, 2)
        cuff.steps.clear()
        await air.wake()
        assert asked(cuff) == ["records 01030127" + "00"]
        assert told(air.sink)[40:] == cuff.measured[39:], "the newest known one shows that the cuff counts as before"
        cuff.steps.clear()
        await air.wake()
        assert asked(cuff) == ["records 01030129" + "00"]


@pytest.mark.parametrize("measured_since", [0, 3, 9])
async def test_a_cuff_that_was_cleared_counts_anew_and_loses_nothing(measured_since: int) -> None:
    cuff = VirtualCuff(behaviour=KEEPS)
    fill(cuff, 5)
    async with room(cuff) as air:
        await air.wake()
        cuff.memory.records.clear()
        cuff.memory._next = 0
        fill(cuff, measured_since, systolic=150)
        cuff.steps.clear()
        await air.wake()
        assert asked(cuff)[-1] == ALL
        assert set(told(air.sink)) == set(cuff.measured)


async def test_a_cuff_that_knows_no_filter_tells_all() -> None:
    cuff = VirtualCuff(behaviour=replace(KEEPS, filters=False, counts=False))
    fill(cuff, 3)
    async with room(cuff) as air:
        await air.wake()
        fill(cuff, 1)
        await air.wake()
        assert set(told(air.sink)) == set(cuff.measured)
        assert asked(cuff)[-2:] == ["records 0103010200", ALL]


async def test_more_than_a_visit_may_take_comes_last_first_and_then_in_turn(tmp_path: Path) -> None:
    """The number of records is asked; the newest is here after one visit, and every visit takes the next ones."""
    cuff = VirtualCuff(behaviour=KEEPS)
    fill(cuff, 12)
    async with room(cuff, plan=VisitPlan(most_records=8)) as air:  # of two segments each
        await air.wake()
        assert asked(cuff)[:3] == [COUNT_ALL, LAST, ALL]
        assert cuff.measured[-1] in told(air.sink)
        assert cuff.measured[0] in told(air.sink)


async def test_a_damaged_record_is_asked_for_again(tmp_path: Path) -> None:
    """Nothing is taken for complete while a record of it cannot be read."""
    cuff = VirtualCuff(behaviour=replace(KEEPS, crc=True, features=0x40))
    fill(cuff, 3)
    with store_sink(tmp_path) as sink:
        async with room(cuff, sink=sink) as air:
            good = cuff.memory.records[1].payload
            cuff.memory.records[1].payload = b"\xff" + good[:3]
            await air.wake()
            assert sink.known()[0].newest_records == {}
            cuff.memory.records[1].payload = good
            await air.wake()
            assert len(sink.known()[0].newest_records) == 1
        assert readings.count(sink.store) == 3


async def test_every_user_with_a_code_is_asked_for(tmp_path: Path) -> None:
    """Records of each user after that user's consent; of whom no code is known, none."""
    cuff = VirtualCuff(behaviour=replace(KEEPS, users={1: 4711, 2: 815, 3: 1234}))
    for user in (1, 2, 3, 1, 2):
        cuff.measure(110 + len(cuff.measured), 80, user_id=user)
    users = {cuff.address: ((1, 4711), (2, 815), (3, 9999))}
    async with room(cuff, plan=VisitPlan(users=users)) as air:
        await air.wake()
        assert sorted(parse_enhanced(value).user_id for value in told(air.sink)) == [1, 1, 2, 2]
        assert set(air.sink.known()[0].newest_records) == {1, 2}
        cuff.measure(140, 90, user_id=2)
        cuff.steps.clear()
        await air.wake()
        assert asked(cuff) == ["records 0103010300", "records 0103010400"]
        assert cuff.measured[-1] in told(air.sink)


async def test_a_code_that_the_cuff_does_not_take_is_told_until_it_does(tmp_path: Path) -> None:
    cuff = VirtualCuff(behaviour=replace(KEEPS, users={1: 4711, 2: 815}))
    cuff.measure(120, 80, user_id=1)
    async with room(cuff, plan=VisitPlan(users={cuff.address: ((1, 4711), (2, 9999))})) as air:
        await air.wake()
        told_of_codes = air.sink.told[f"consent {cuff.address}"] or ""
        assert "does not take the consent code of user 2" in told_of_codes
        assert f'consent_code under [cuffs."{cuff.address}"]' in told_of_codes
        cuff.behaviour = replace(cuff.behaviour, users={1: 4711, 2: 9999})
        await air.wake()
        assert air.sink.told[f"consent {cuff.address}"] is None


async def test_a_cuff_that_waits_for_a_code_which_nobody_gave_is_known_as_one(tmp_path: Path) -> None:
    """From its second visit without any record on; a record that comes all the same takes it back."""
    cuff = VirtualCuff(behaviour=replace(KEEPS, users={1: 4711}))
    cuff.measure(120, 80, user_id=1)
    sink = NoteSink()
    async with room(cuff, sink=sink) as air:
        await air.wake(times=2)
        assert Learned(Manner.CONSENT) in sink.known()[0].manners
    async with room(cuff, sink=sink, plan=VisitPlan(users={cuff.address: ((1, 4711),)})) as air:
        await air.wake()
    assert len(told(sink)) == 1
    assert Manner.CONSENT not in {one.manner for one in sink.known()[0].manners}

"""Stored records on request (service 1.1): from the newest known one on, and never a gap."""

from dataclasses import replace
from pathlib import Path

import pytest
from air import NoteSink, fill, room
from kept import store_sink

from collector.radio.facts import Learned, Manner
from collector.radio.plan import VisitPlan
from collector.radio.virtual import Behaviour, Drop, VirtualCuff
from collector.radio.virtual.conversation import Conversation
from collector.store import readings
from parsers.control import RecordOp, answer_count
from parsers.measurement import parse_enhanced
from parsers.record import Reassembler, Record
from parsers.uuids import Uuid

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


async def test_a_link_that_is_always_cut_after_so_many_records_brings_all_of_them_in_turn(tmp_path: Path) -> None:
    """The next visit goes on from the last whole record, though no visit ever came to the end."""
    cut = Drop("notify", "before", nth=25, times=9)  # in the middle of the thirteenth record
    cuff = VirtualCuff(behaviour=replace(KEEPS, drop=cut))
    fill(cuff, 40)
    with store_sink(tmp_path) as sink:
        async with room(cuff, sink=sink) as air:
            await air.wake(times=5)
        assert {int(reading.systolic) for reading in readings.select(sink.store)} == {120 + n for n in range(40)}
        assert readings.count(sink.store) == 40


async def test_a_small_limit_takes_the_next_records_at_every_visit(tmp_path: Path) -> None:
    cuff = VirtualCuff(behaviour=KEEPS)
    fill(cuff, 12)
    with store_sink(tmp_path) as sink:
        async with room(cuff, sink=sink, plan=VisitPlan(most_records=10)) as air:
            await air.wake(times=5)
        assert readings.count(sink.store) == 12


async def test_users_whose_records_bear_the_same_numbers_are_kept_apart(tmp_path: Path) -> None:
    """The newest record of one is not taken for the other's, who would lose what came before it."""
    cuff = VirtualCuff(behaviour=replace(KEEPS, users={1: 4711, 2: 815}))
    counted = {1: 0, 2: 0}

    def measure(user: int, times: int) -> None:
        for _ in range(times):
            cuff.measure(110 + len(cuff.measured), 80, user_id=user)
            cuff.memory.records[-1].sequence = counted[user]
            counted[user] += 1

    users = {cuff.address: ((1, 4711), (2, 815))}
    with store_sink(tmp_path) as sink:
        async with room(cuff, sink=sink, plan=VisitPlan(users=users)) as air:
            measure(1, 4)
            measure(2, 2)
            await air.wake()
            measure(2, 3)
            await air.wake()
        assert readings.count(sink.store) == 9


async def test_an_answer_that_comes_late_is_not_taken_for_the_next_one(monkeypatch: pytest.MonkeyPatch) -> None:
    """The number of records is told only after it was given up: all are here, and that is known."""
    monkeypatch.setattr("collector.radio.records.COUNT_S", 0.05)
    real = Conversation._report

    async def late(self: Conversation, value: bytes) -> None:
        if value[0] == RecordOp.REPORT:
            self._answer(Uuid.RECORD_ACCESS_CONTROL_POINT, answer_count(3))
        if value[0] != RecordOp.COUNT:
            await real(self, value)

    monkeypatch.setattr(Conversation, "_report", late)
    cuff = VirtualCuff(behaviour=KEEPS)
    fill(cuff, 3)
    async with room(cuff) as air:
        await air.wake()
        assert len(air.sink.known()[0].newest_records) == 1
    assert told(air.sink) == cuff.measured

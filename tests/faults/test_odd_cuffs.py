"""Cuffs that are many, short of breath, hidden, forgetful, or that send everything again."""

import asyncio
from dataclasses import replace
from pathlib import Path

import pytest
from air import fill, room
from kept import compared, store_sink

from collector.radio.virtual import Behaviour, VirtualCuff
from collector.store import readings

pytestmark = pytest.mark.usefixtures("no_waiting")

QUICK = Behaviour(lingers_s=0.05)


def cuffs_of(count: int, behaviour: Behaviour = QUICK) -> list[VirtualCuff]:
    return [VirtualCuff(f"Cuff {n}", f"F0:00:00:00:00:{n:02X}", behaviour) for n in range(1, count + 1)]


@pytest.mark.parametrize("count", [2, 10])
async def test_several_cuffs_at_once(tmp_path: Path, count: int) -> None:
    cuffs = cuffs_of(count)
    with store_sink(tmp_path) as sink:
        async with room(*cuffs, sink=sink) as air:
            for _ in range(3):
                for cuff in cuffs:
                    fill(cuff, 4)
                await air.wake()
        found = compared(sink.store, cuffs)
    assert found.measured == 12 * count
    assert found.good, found
    assert not any(cuff.memory.records for cuff in cuffs)


@pytest.mark.parametrize("pairing", [True, False])
async def test_a_cuff_that_advertises_for_two_seconds(tmp_path: Path, pairing: bool) -> None:
    """Two seconds in a fast mode, then off; and a second cuff's visit is going on meanwhile."""
    brief = VirtualCuff("Brief", "F0:00:00:00:00:01", Behaviour(pairing=pairing, advertises_s=2.0, lingers_s=0.05))
    long = VirtualCuff("Long", "F0:00:00:00:00:02", Behaviour(lingers_s=1.0))
    fill(brief, 3)
    fill(long, 3)
    with store_sink(tmp_path) as sink:
        async with room(brief, long, sink=sink) as air:
            await air.wake()
        found = compared(sink.store, [brief, long])
    assert found.good, found


async def test_a_cuff_that_leaves_two_seconds_after_it_connected(tmp_path: Path) -> None:
    cuff = VirtualCuff(behaviour=Behaviour(pairing=False, lingers_s=0.05, patience_s=2.0))
    fill(cuff, 3)
    with store_sink(tmp_path) as sink:
        async with room(cuff, sink=sink) as air:
            await air.wake()
        assert compared(sink.store, [cuff]).good


async def test_a_confirmation_that_never_arrives_makes_the_cuff_send_again(tmp_path: Path) -> None:
    """The record is known again: one reading, seen twice."""
    from collector.radio.virtual import Drop

    cuff = VirtualCuff(behaviour=Behaviour(lingers_s=0.05, drop=Drop("confirm", "before", nth=2)))
    fill(cuff, 3)
    with store_sink(tmp_path) as sink:
        async with room(cuff, sink=sink) as air:
            await air.wake(times=2)
        assert compared(sink.store, [cuff]).good
        assert sorted(reading.sightings for reading in readings.select(sink.store)) == [1, 1, 2]


async def test_a_cuff_that_sends_everything_every_time(tmp_path: Path) -> None:
    cuff = VirtualCuff(behaviour=Behaviour(resends_all=True, lingers_s=0.05))
    with store_sink(tmp_path) as sink:
        async with room(cuff, sink=sink) as air:
            for _ in range(4):
                fill(cuff, 3)
                await air.wake()
        assert compared(sink.store, [cuff]).good
        assert sum(reading.sightings for reading in readings.select(sink.store)) == 3 + 6 + 9 + 12


@pytest.mark.parametrize("behaviour", [
    Behaviour(lingers_s=0.05, private_address=True),
    Behaviour(lingers_s=0.05, private_address=True, eager=False),
    Behaviour(lingers_s=0.05, eager=False, asks_for_security=False),
    Behaviour(lingers_s=0.05, ignores_subscription=True),
    Behaviour(lingers_s=0.05, measurement_properties=0x10),
    Behaviour(lingers_s=0.05, measurement_properties=0x30),
    Behaviour(lingers_s=0.05, clock=None, battery=None, device={}),
    Behaviour(lingers_s=0.05, never_answers=(0x2A29,), patience_s=3.0),
    Behaviour(lingers_s=0.05, extra_characteristics=100),
    Behaviour(lingers_s=0.05, long_values=400),
    Behaviour(lingers_s=0.05, enhanced=True),
], ids=str)  # fmt: skip
async def test_manners(tmp_path: Path, behaviour: Behaviour) -> None:
    from collector.radio.plan import VisitPlan

    cuff = VirtualCuff(behaviour=behaviour)
    with store_sink(tmp_path) as sink:
        async with room(cuff, sink=sink, plan=VisitPlan(step_timeout_s=1.0)) as air:
            for _ in range(3):
                fill(cuff, 3)
                await air.wake()
            cuff.behaviour = replace(cuff.behaviour, lists_service=False)
            fill(cuff, 2)
            await air.wake()
        found = compared(sink.store, [cuff])
    assert found.measured == 11
    assert found.good, found


async def test_bonds_lost_on_either_side_and_on_both(tmp_path: Path) -> None:
    cuff = VirtualCuff(behaviour=QUICK)
    with store_sink(tmp_path) as sink:
        async with room(cuff, sink=sink) as air:
            for ours, theirs in [(False, False), (False, True), (True, False), (True, True), (False, False)]:
                if ours:
                    bonds = air.radio._device.keystore
                    for name, _ in await bonds.get_all():
                        await bonds.delete(name)
                if theirs:
                    cuff.forget_bonds()
                fill(cuff, 3)
                await air.wake()
        found = compared(sink.store, [cuff])
    assert found.measured == 15
    assert found.good, found


async def test_two_collectors_each_get_every_record_where_the_cuff_has_multiple_bonds(tmp_path: Path) -> None:
    cuff = VirtualCuff(behaviour=Behaviour(multiple_bonds=True, features=0x20, lingers_s=0.05))
    fill(cuff, 4)
    for station in ("one", "two"):
        (tmp_path / station).mkdir()
        with store_sink(tmp_path / station) as sink:
            async with room(cuff, sink=sink, keys=tmp_path / station) as air:
                await air.wake()
            assert compared(sink.store, [cuff]).good
    assert len(cuff.confirmed) == 8


async def test_ten_cuffs_wait_while_nobody_listens(tmp_path: Path) -> None:
    cuffs = cuffs_of(10)
    for cuff in cuffs:
        fill(cuff, 3)
    with store_sink(tmp_path) as sink:
        async with room(*cuffs, sink=sink) as air:
            waking = [asyncio.ensure_future(cuff.wake()) for cuff in cuffs]
            await asyncio.gather(*waking)
            await air.quiet()
        assert compared(sink.store, cuffs).good

"""What a cuff sends before anybody knows what stands at its handles: all of it is kept, and means something later."""

import asyncio
from dataclasses import replace
from pathlib import Path

import pytest
from air import NoteSink, fill, room

from collector.radio.virtual import Behaviour, VirtualCuff, VirtualRadio
from collector.service.config import Config
from collector.service.listen.assemble import listen
from collector.store import journal, readings
from collector.store.journal import payloads
from collector.store.opening import open_store
from parsers.uuids import UNPLACED

HASTY = Behaviour(
    pairing=False, ignores_subscription=True, answers_after_s=0.3, stays_s=0.25, lingers_s=0.6, patience_s=2.0
)
CALM = replace(HASTY, answers_after_s=0.0, stays_s=None)


@pytest.mark.parametrize("notified", [False, True])
async def test_all_that_comes_before_discovery_is_kept_with_its_handle(notified: bool) -> None:
    """Indications, and notifications, which no want of a confirmation holds back."""
    cuff = VirtualCuff(behaviour=replace(HASTY, early_notifications=notified))
    records = fill(cuff, 4)
    sink = NoteSink()
    async with room(cuff, sink=sink) as air:
        await air.wake()
        assert [arrival.value for arrival in sink.unplaced] == records
        assert {arrival.characteristic for arrival in sink.unplaced} == {UNPLACED}
        assert sink.payloads == []
        cuff.behaviour = replace(CALM, early_notifications=notified)
        await air.wake()
    assert sink.payloads == records


async def test_the_store_gives_it_a_meaning_once_a_later_visit_discovers(tmp_path: Path) -> None:
    store_path, stop = tmp_path / "store.db", asyncio.Event()
    cuff = VirtualCuff(behaviour=HASTY)
    radio = VirtualRadio([cuff])
    heard: list[str] = []
    task = asyncio.create_task(listen(store_path, Config(), radio, stop=stop, heard=heard.append))
    await radio.listening.wait()
    fill(cuff, 3)
    await cuff.wake()
    while radio.visiting:  # noqa: ASYNC110
        await asyncio.sleep(0.01)
    with open_store(store_path, create=False, read_only=True) as store:
        assert journal.counts(store).payloads == 3
        assert readings.count(store) == 0
        assert "discovery" in next(iter(journal.troubles(store))).reason
    cuff.behaviour = CALM
    fill(cuff, 1)
    await cuff.wake()
    stop.set()
    await asyncio.wait_for(task, 5)
    with open_store(store_path, create=False, read_only=True) as store:
        found = list(readings.select(store))
        assert [reading.systolic for reading in found] == [120, 121, 122, 123]
        assert not list(journal.troubles(store))
    assert sorted(heard) == sorted(reading.reading_id for reading in found)


def test_radio_and_journal_mean_the_same_by_a_place_that_nobody_knows() -> None:
    """Each has its own word, as neither room may ask the other."""
    assert payloads.UNPLACED == UNPLACED

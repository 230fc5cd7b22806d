"""The digits on a cuff's display reach a service without screen or keyboard through the store."""

import asyncio
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest
from air import fill, room
from kept import store_sink

from collector.radio.virtual import Behaviour, VirtualCuff
from collector.service.listen.pairing_person import StorePerson
from collector.store.journal import pairing
from collector.store.opening import open_store

CUFF = "F0:F1:F2:F3:F4:F5"


async def answer(path: Path, number: int) -> None:
    """As `cuff add` does: waits for the question, and answers it."""
    with open_store(path) as store:
        while not pairing.questions(store, datetime.now(UTC)):  # noqa: ASYNC110 (that is what the command does)
            await asyncio.sleep(0.02)
        pairing.give(store, CUFF, number)


async def test_a_cuff_that_shows_digits_is_paired_through_the_store(tmp_path: Path) -> None:
    cuff = VirtualCuff(behaviour=Behaviour(passkey=123456, demands_digits=True, lingers_s=0.05, patience_s=0.5))
    fill(cuff, 2)
    with store_sink(tmp_path) as sink:
        async with room(cuff, sink=sink, person=StorePerson(sink.store)) as air:
            await air.wake()
            assert not cuff.confirmed
            cuff.behaviour = replace(cuff.behaviour, patience_s=10.0)  # on a busy machine an answer takes its time
            pairing.wait(sink.store, CUFF, datetime.now(UTC) + timedelta(minutes=1))
            answering = asyncio.ensure_future(answer(sink.store.path, 123456))
            await air.wake()
            await answering
    assert cuff.confirmed == cuff.measured


async def test_nobody_there_is_nobody_asked(tmp_path: Path) -> None:
    with store_sink(tmp_path) as sink:
        person = StorePerson(sink.store)
        assert not person.anywhere()
        assert await person.passkey(CUFF) is None
        pairing.wait(sink.store, CUFF, datetime.now(UTC) - timedelta(seconds=1))
        assert not person.present(CUFF)
        pairing.wait(sink.store, CUFF, datetime.now(UTC) + timedelta(minutes=1))
        assert person.present(CUFF)
        assert person.anywhere()
        pairing.leave(sink.store, CUFF)
        assert not person.anywhere()


@pytest.mark.parametrize("same", [True, False])
async def test_a_number_to_compare_is_shown_and_answered(tmp_path: Path, same: bool) -> None:
    with store_sink(tmp_path) as sink:
        pairing.wait(sink.store, CUFF, datetime.now(UTC) + timedelta(minutes=1))
        answering = asyncio.ensure_future(answer(sink.store.path, int(same)))
        assert await StorePerson(sink.store).same_number(CUFF, 42) is same
        await answering

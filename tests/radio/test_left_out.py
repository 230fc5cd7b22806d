"""A step that makes a cuff leave, or that it never answers, is known after it and left out: whichever step it is."""

import asyncio
from collections.abc import Callable
from pathlib import Path

import pytest
from air import NoteSink, fill, room
from kept import compared, store_sink

from collector.radio.facts import Learned, Manner
from collector.radio.plan import SetClock, VisitPlan
from collector.radio.virtual import Behaviour, VirtualCuff

FIND_BY_TYPE, READ_BY_TYPE, READ_BY_GROUP, WRITE = 0x06, 0x08, 0x10, 0x12
HASH = bytes(range(16))

Request = Callable[[bytes], bool]


def looks_for(service: int) -> Request:
    return lambda pdu: pdu[0] == FIND_BY_TYPE and pdu[7:] == service.to_bytes(2, "little")


def looks_for_everything(pdu: bytes) -> bool:
    return pdu[0] == READ_BY_GROUP


def asks_for_one_configuration(pdu: bytes) -> bool:
    return pdu[0] == READ_BY_TYPE and pdu[1:3] == pdu[3:5]


def asks_for_the_hash(pdu: bytes) -> bool:
    return pdu[0] == READ_BY_TYPE and pdu[5:] == b"\x2a\x2b"


@pytest.mark.parametrize("pairing", [True, False])
@pytest.mark.parametrize(
    ("leaves_at", "step", "database_hash"),
    [
        (looks_for(0x1805), "looking for current time service", None),
        (looks_for_everything, "looking for the rest", None),
        (asks_for_one_configuration, "asking whether all is as it was", None),
        (asks_for_the_hash, "asking whether all is as it was", HASH),
    ],
    ids=["clock", "everything", "resuming", "hash"],
)
async def test_a_cuff_that_leaves_at_a_step_before_it_has_sent(
    leaves_at: Request, step: str, database_hash: bytes | None, pairing: bool
) -> None:
    """It sends only half a second after it was subscribed to, and then never had the time."""
    behaviour = Behaviour(
        lingers_s=0.3,
        sends_after_s=0.5,
        pairing=pairing,
        eager=False,
        hangs_up_at=leaves_at,
        database_hash=database_hash,
    )
    cuff = VirtualCuff(behaviour=behaviour)
    async with room(cuff) as air:
        for _ in range(2):
            fill(cuff, 3)
            await air.wake(times=2)
            assert air.sink.payloads == cuff.measured
        assert Learned(Manner.HANGS_UP, step) in air.sink.known()[0].manners


async def test_a_cuff_that_leaves_when_its_clock_is_written_keeps_it_and_delivers() -> None:
    def writes_the_clock(pdu: bytes) -> bool:
        return pdu[0] == WRITE and len(pdu) == 13  # ten octets of Current Time

    cuff = VirtualCuff(behaviour=Behaviour(lingers_s=6.0, sends_after_s=5.0, hangs_up_at=writes_the_clock))
    fill(cuff, 2)
    async with room(cuff, plan=VisitPlan(set_clock=SetClock.ALWAYS)) as air:
        await air.wake(times=3)
        assert Learned(Manner.HANGS_UP, "setting the clock") in air.sink.known()[0].manners
    assert air.sink.payloads == cuff.measured


@pytest.mark.parametrize("octets", [b"\x04\x01", b"\x01\x01"], ids=["count", "report"])
async def test_a_cuff_that_leaves_when_asked_for_stored_records(octets: bytes) -> None:
    """What it measures meanwhile comes once that is left out: counting after one such visit, the records after two."""

    def asks(pdu: bytes) -> bool:
        return pdu[0] == WRITE and pdu[3:] == octets

    cuff = VirtualCuff(behaviour=Behaviour(enhanced=True, keeps_records=True, lingers_s=0.3, hangs_up_at=asks))
    sink = NoteSink()
    fill(cuff, 2)
    async with room(cuff, sink=sink) as air:
        await air.wake(times=2)
        waking = asyncio.ensure_future(air.wake())
        await asyncio.sleep(0.1)
        live = cuff.measure(140, 90)
        await waking
    assert live in sink.payloads
    assert (len(sink.payloads) > 1) is (octets == b"\x04\x01"), "where only counting puts it off, the stored ones came"


@pytest.mark.parametrize("pairing", [True, False])
@pytest.mark.parametrize(
    ("answers_after_s", "stays_s"), [(0.8, 4.0), (1.5, 4.0), (2.6, 60.0), (5.0, 120.0), (12.0, 300.0)]
)
async def test_a_cuff_that_takes_its_time_over_each_answer(
    tmp_path: Path, answers_after_s: float, stays_s: float, pairing: bool
) -> None:
    """The limit is for each request; short of breath or patient, it delivers at its second visit at the latest."""
    behaviour = Behaviour(
        answers_after_s=answers_after_s,
        stays_s=stays_s,
        patience_s=stays_s,
        lingers_s=2 * answers_after_s,
        pairing=pairing,
    )
    cuff = VirtualCuff(behaviour=behaviour)
    with store_sink(tmp_path) as sink:
        async with room(cuff, sink=sink) as air:
            for _ in range(2):
                fill(cuff, 3)
                await air.wake(times=2)
                assert compared(sink.store, [cuff]).good

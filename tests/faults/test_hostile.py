"""Cuffs that mean harm or know no better: nothing but clean outcomes, memory bounded, the next cuff served as ever."""

import gc
import tracemalloc
from dataclasses import replace
from pathlib import Path

import pytest
from air import NoteSink, Room, fill, room
from hypothesis import HealthCheck, example, given, settings
from hypothesis import strategies as st
from kept import compared, store_sink

from collector.radio.facts import ValueRead
from collector.radio.plan import VisitPlan
from collector.radio.virtual import Behaviour, VirtualCuff

pytestmark = pytest.mark.usefixtures("no_waiting")

QUICK = Behaviour(lingers_s=0.05, patience_s=1.0, advertises_s=2.0, confirm_s=1.0)
SHORT = VisitPlan(step_timeout_s=0.5, idle_s=1.0)
PLAIN_OUTCOMES = ("cuff left", "link lost", "we left", "failed: ")


def hostile(**changes: object) -> VirtualCuff:
    return VirtualCuff("Hostile", "F0:00:00:00:00:66", replace(QUICK, **changes))


async def good_cuff_served(air, sink) -> None:
    """After whatever happened an ordinary cuff gets rid of its records; on a starved machine it may come again."""
    good = next(cuff for cuff in air.radio.cuffs if cuff.address == GOOD)
    fill(good, 2)
    for _ in range(3):
        await air.wake(good)
        if set(good.measured) <= set(good.confirmed):
            break
    assert set(good.measured) <= set(good.confirmed)


GOOD = "F0:00:00:00:00:01"


def good() -> VirtualCuff:
    return VirtualCuff("Good", GOOD, Behaviour(lingers_s=0.05))


WICKED = [
    b"\x1b[2J\x1b[31m", b"=HYPERLINK(\"http://x\")", b"@SUM(1)", b"+1", b"-2", b"\x00" * 30, b"\xff\xfe\xfd",
    b"a\rb\nc\td", "\u202ereversed".encode(), b"\x9b31m", b"\x07" * 50, b"'; DROP TABLE payload; --",
]  # fmt: skip


@pytest.mark.parametrize("text", WICKED, ids=repr)
async def test_wicked_words_are_kept_as_sent(tmp_path: Path, text: bytes) -> None:
    bad = VirtualCuff(
        text[:20].decode("latin-1"),
        "F0:00:00:00:00:66",
        replace(QUICK, lingers_s=0.4, device={0x2A29: text, 0x2A24: text, 0x2A25: text}),
    )
    fill(bad, 2)
    with store_sink(tmp_path) as sink:
        async with room(bad, good(), sink=sink) as air:
            await air.wake(bad)
            await good_cuff_served(air, sink)
        assert compared(sink.store, air.radio.cuffs).good
    sink = NoteSink()
    bad = VirtualCuff("x", "F0:00:00:00:00:66", replace(QUICK, lingers_s=0.4, device={0x2A29: text}))
    async with room(bad, sink=sink) as air:
        fill(bad, 1)
        await air.wake()
    assert text in [fact.value for fact in sink.facts_of(ValueRead)]


@pytest.mark.parametrize("size", [0, 1, 6, 7, 8, 18, 19, 20])
async def test_records_of_any_length_are_kept(tmp_path: Path, size: int) -> None:
    """What cannot be decoded stays in the journal; the records after it come through."""
    bad = hostile(advertises_s=10.0, patience_s=5.0, confirm_s=5.0)  # the machine may be busy
    bad.store(b"\xff" * size)
    bad.store(b"\x00" * size)
    fill(bad, 2)
    with store_sink(tmp_path) as sink:
        async with room(bad, sink=sink) as air:
            await air.wake()
        assert sink.store.scalar("SELECT count(*) FROM payload") == 4
        assert len(bad.confirmed) == 4


@pytest.mark.parametrize("properties", [0x00, 0x02, 0x08, 0x10, 0x20, 0x30, 0xFF])
async def test_declared_properties_that_make_no_sense(properties: int) -> None:
    bad = hostile(measurement_properties=properties)
    fill(bad, 2)
    async with room(bad, good(), plan=SHORT) as air:
        await air.wake(bad)
        await good_cuff_served(air, air.sink)
    outcome = air.sink.outcomes[1]
    assert outcome.startswith(PLAIN_OUTCOMES)
    if not properties & 0x30:
        assert outcome.startswith("failed: subscribing")


async def test_indications_everywhere_else() -> None:
    bad = hostile(strays=tuple((handle, b"\x00" * 19) for handle in (0, 1, 2, 4, 5, 0xFFFF)))
    fill(bad, 2)
    async with room(bad, good(), plan=SHORT) as air:
        await air.wake(bad)
        await good_cuff_served(air, air.sink)
    assert air.sink.payloads[:2] == bad.measured


async def test_endless_records_end_and_the_next_cuff_is_served() -> None:
    bad = hostile(endless=True)
    fill(bad, 1)
    async with room(bad, good(), plan=replace(SHORT, most_records=300)) as air:
        await air.wake(bad)
        await good_cuff_served(air, air.sink)
    assert sum(arrival.cuff == bad.address for arrival in air.sink.arrivals) == 300
    assert air.sink.outcomes[1] == "we left"


async def test_endless_values_are_cut_at_what_att_allows() -> None:
    """An attribute value has 512 octets at most (Core Vol 3 Part F 3.2.9)."""
    bad = hostile(endless_values=True, lingers_s=0.4)
    fill(bad, 1)
    async with room(bad, good(), plan=SHORT) as air:
        await air.wake(bad)
        await good_cuff_served(air, air.sink)
    lengths = [len(fact.value) for fact in air.sink.facts_of(ValueRead)]
    assert max(lengths) == 512
    assert air.sink.payloads[:1] == bad.measured


async def test_duplicates_of_duplicates(tmp_path: Path) -> None:
    bad = hostile(resends_all=True)
    (record,) = fill(bad, 1)
    for _ in range(5):
        bad.store(record)
    with store_sink(tmp_path) as sink:
        async with room(bad, sink=sink) as air:
            await air.wake(times=3)
        from collector.store import readings

        (reading,) = readings.select(sink.store)
        assert reading.sightings == 18


SOME = settings(max_examples=20, deadline=None, suppress_health_check=list(HealthCheck))
MANY = settings(SOME, max_examples=1500)
octets = st.binary(max_size=40)
answers = st.lists(st.one_of(st.none(), octets), max_size=40)
babble = st.lists(st.tuples(st.sampled_from([4, 5, 6, 0x40]), octets), max_size=6)
"""Octets on a channel: ATT, L2CAP signalling, the Security Manager, and one that nobody opened."""


def well_formed(pdu: bytes, body: bytes) -> bytes:
    """An answer with the right opcode, so that it is not turned away at the door."""
    return bytes([pdu[0] + 1]) + body


async def visit_to_one_that_answers(answers: list[bytes | None], honest_opcode: bool) -> None:
    """honest_opcode: each answer begins as the right answer would."""

    def garble(number: int, pdu: bytes) -> bytes | None:
        answer = answers[number % len(answers)] if answers else None
        return well_formed(pdu, answer) if answer is not None and honest_opcode else answer

    bad = hostile(garble=garble, patience_s=0.3)
    fill(bad, 2)
    async with room(bad, good(), plan=SHORT) as air:
        await air.wake(bad)
        await good_cuff_served(air, air.sink)
    assert all(outcome.startswith(PLAIN_OUTCOMES) for outcome in air.sink.outcomes.values())
    assert not any("Error" in outcome for outcome in air.sink.outcomes.values())


async def visit_to_one_that_babbles(babble: list[tuple[int, bytes]]) -> None:
    bad = hostile(babble=tuple(babble), patience_s=0.3)
    fill(bad, 2)
    async with room(bad, good(), plan=SHORT) as air:
        await air.wake(bad)
        await good_cuff_served(air, air.sink)
    assert all(outcome.startswith(PLAIN_OUTCOMES) for outcome in air.sink.outcomes.values())
    assert not any("Error" in outcome for outcome in air.sink.outcomes.values())


@SOME
@given(answers=answers, honest_opcode=st.booleans())
@example(answers=[b"\x01\x00\x00\x00"], honest_opcode=False)  # an error that has no name
async def test_answers_of_any_octets(answers: list[bytes | None], honest_opcode: bool) -> None:
    await visit_to_one_that_answers(answers, honest_opcode)


@SOME
@given(babble=babble)
async def test_octets_out_of_turn_on_any_channel(babble: list[tuple[int, bytes]]) -> None:
    await visit_to_one_that_babbles(babble)


@pytest.mark.long
@pytest.mark.timeout(7200)
@MANY
@given(answers=answers, honest_opcode=st.booleans())
async def test_answers_of_any_octets_at_length(answers: list[bytes | None], honest_opcode: bool) -> None:
    await visit_to_one_that_answers(answers, honest_opcode)


@pytest.mark.long
@pytest.mark.timeout(7200)
@MANY
@given(babble=babble)
async def test_octets_out_of_turn_at_length(babble: list[tuple[int, bytes]]) -> None:
    await visit_to_one_that_babbles(babble)


async def test_memory_stays_where_it_was() -> None:
    await memory_stays(8)


@pytest.mark.long
@pytest.mark.timeout(3600)
async def test_memory_stays_where_it_was_over_many_visits() -> None:
    await memory_stays(200)


async def memory_stays(count: int) -> None:
    """Many hostile visits, then as many again: the second lot leaves nothing behind.

    What stays is the interpreter's own: caches of looked-up names go on filling, half a kilobyte to two
    a visit. One link kept from each visit is far more than the limit.
    """
    cuffs = [hostile(endless=True), good()]
    sink = NoteSink()
    visits = 0

    async def some_visits(air: Room) -> int:
        nonlocal visits
        for _ in range(count):
            await air.wake(cuffs[0])
            visits += len(sink.outcomes)
            for noted in (sink.arrivals, sink.facts, sink.cuffs, sink.visit_of, sink.outcomes):
                noted.clear()
            for kept in (cuffs[0].memory.confirmed, cuffs[0].memory.measured, cuffs[0].memory.records):
                del kept[1:]
        gc.collect()
        return tracemalloc.get_traced_memory()[0]

    tracemalloc.start()
    try:
        async with room(*cuffs, sink=sink, plan=replace(SHORT, most_records=50)) as air:
            fill(cuffs[0], 1)
            before = await some_visits(air)
            visits = 0
            after = await some_visits(air)
    finally:
        tracemalloc.stop()
    print(f"{(after - before) / visits:.0f} octets a visit")  # shown by -s
    assert visits >= count
    assert after - before < 5_000 * visits, (after - before) / visits

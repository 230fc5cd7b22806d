"""Cuffs that are slow, impatient or easily put off deliver all the same, and are spared next time what put them off."""

from dataclasses import replace

import pytest
from air import Reader, fill, room

from collector.radio.facts import Learned, Manner
from collector.radio.plan import SetClock, VisitPlan
from collector.radio.steps import named
from collector.radio.virtual import Behaviour, VirtualCuff

QUICK = Behaviour(lingers_s=0.05)
REQUESTS = ("mtu", "discover", "characteristics", "descriptors", "read", "write", "subscribe")


def asked_before_subscribed(cuff: VirtualCuff) -> int:
    """ATT requests before the last subscription that came before the first record; a bond's stands by itself."""
    steps = list(cuff.steps)
    steps = steps[: steps.index("indicate")] if "indicate" in steps else steps
    subscribed = [n for n, step in enumerate(steps) if step.startswith("subscribe")]
    return sum(step.startswith(REQUESTS) for step in steps[: max(subscribed, default=None)])


KINDS = [
    QUICK,
    replace(QUICK, pairing=False),
    replace(QUICK, eager=False),
    replace(QUICK, eager=False, asks_for_security=False),
    replace(QUICK, clock="date time"),
    replace(QUICK, described_in_words=True),
    replace(QUICK, enhanced=True),
    replace(QUICK, measurement_properties=0x10),
    replace(QUICK, pairing=False, database_hash=bytes(range(16))),
    replace(QUICK, eager=False, private_address=True),
]


@pytest.mark.parametrize("behaviour", KINDS, ids=str)
async def test_few_requests_come_before_the_subscription(behaviour: Behaviour) -> None:
    """At most six at a first visit; one at a later one, which proves that what was found still holds."""
    cuff = VirtualCuff(behaviour=replace(behaviour, lingers_s=0.3))
    async with room(cuff) as air:
        for most in (6, 1, 1):
            fill(cuff, 2)
            cuff.steps.clear()
            await air.wake()
            assert asked_before_subscribed(cuff) <= most, list(cuff.steps)
    assert air.sink.payloads == cuff.measured


@pytest.mark.parametrize("pairing", [True, False])
@pytest.mark.parametrize(("stays_s", "answers_after_s"), [(0.6, 0.03), (0.4, 0.02)])
async def test_a_cuff_that_stays_for_twenty_answers(pairing: bool, stays_s: float, answers_after_s: float) -> None:
    """As one that answers after 0.15 s and leaves after 3 s, or after 0.5 s and 10 s, only sooner."""
    behaviour = Behaviour(pairing=pairing, stays_s=stays_s, answers_after_s=answers_after_s)
    cuff = VirtualCuff(behaviour=behaviour)
    async with room(cuff) as air:
        for _ in range(2):
            fill(cuff, 3)
            await air.wake()
            assert air.sink.payloads == cuff.measured


@pytest.mark.parametrize("read", [0x2A29, 0x2A25, 0x2A19, 0x2A49, 0x2A2B], ids=hex)
async def test_a_cuff_that_hangs_up_when_something_is_read(read: int) -> None:
    cuff = VirtualCuff(behaviour=replace(QUICK, lingers_s=0.4, hangs_up_when_read=(read,)))
    async with room(cuff) as air:
        for visit in range(3):
            fill(cuff, 3)
            cuff.steps.clear()
            await air.wake(times=2)
            assert sorted(air.sink.payloads) == sorted(cuff.measured), visit
    assert Learned(Manner.HANGS_UP, f"reading {named(read)}") in air.sink.known()[0].manners
    assert f"read {read:04x}" not in cuff.steps


@pytest.mark.parametrize("read", [0x2A29, 0x2A19, 0x2A49, 0x2A2B], ids=hex)
async def test_a_cuff_that_never_answers_one_read(read: int) -> None:
    cuff = VirtualCuff(behaviour=Behaviour(lingers_s=0.5, never_answers=(read,)))
    async with room(cuff, plan=VisitPlan(step_timeout_s=0.2)) as air:
        for _ in range(2):
            fill(cuff, 3)
            cuff.steps.clear()
            await air.wake()
            assert air.sink.payloads == cuff.measured
    assert Learned(Manner.NO_ANSWER, f"reading {named(read)}") in air.sink.known()[0].manners


async def test_a_hash_that_changed_means_discovery() -> None:
    cuff = VirtualCuff(behaviour=Behaviour(pairing=False, database_hash=bytes(16)))
    fill(cuff, 1)
    async with room(cuff) as air:
        await air.wake()
        (known,) = air.sink.known()
        assert known.database_hash == bytes(16)
        air.sink.remember(replace(known, database_hash=b"another table..."))
        fill(cuff, 1)
        cuff.steps.clear()
        await air.wake()
    assert list(cuff.steps)[1:4] == ["characteristics", "discover", "characteristics"]
    assert air.sink.payloads == cuff.measured


@pytest.mark.parametrize("unanswered", [False, True])
async def test_a_cuff_that_sends_only_once_its_clock_is_set(unanswered: bool, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("collector.radio.visit.QUIET_S", 0.4)
    behaviour = Behaviour(lingers_s=0.8, clock_first=True, clock_unanswered=unanswered)
    cuff = VirtualCuff(behaviour=behaviour)
    fill(cuff, 2)
    async with room(cuff, plan=VisitPlan(set_clock=SetClock.WHEN_WRONG)) as air:
        for _ in range(3):
            await air.wake()
        assert air.sink.payloads == cuff.measured
        assert Learned(Manner.CLOCK_FIRST) in air.sink.known()[0].manners
        fill(cuff, 2)
        cuff.steps.clear()
        await air.wake()
    assert air.sink.payloads == cuff.measured
    steps = list(cuff.steps)
    assert steps.index("write 2a2b") < steps.index("indicate")


async def test_a_clock_is_left_alone_where_it_may_not_be_set() -> None:
    cuff = VirtualCuff(behaviour=Behaviour(lingers_s=0.3, clock_first=True))
    fill(cuff, 1)
    async with room(cuff) as air:
        await air.wake(times=2)
    assert cuff.times_set == []
    assert air.sink.known()[0].undelivered == 2


@pytest.mark.parametrize("late", [False, True])
async def test_a_cuff_that_demands_digits_gets_them_once_somebody_is_there(late: bool) -> None:
    """No pairing, then one that just works, then the digits: with the least that the cuff takes."""

    async def typed() -> int:
        return 123456

    cuff = VirtualCuff(behaviour=replace(QUICK, passkey=123456, demands_digits=True, asks_for_security=not late))
    person = Reader(typed, there=False)
    fill(cuff, 2)
    async with room(cuff, person=person) as air:
        await air.wake()
        assert air.sink.payloads == []
        assert Learned(Manner.PASSKEY) in air.sink.known()[0].manners
        assert "wants the digits" in air.sink.outcomes[1]
        person.there = True
        await air.wake()
        assert air.sink.payloads == cuff.measured
        person.there = False
        fill(cuff, 1)
        await air.wake()
    assert air.sink.payloads == cuff.measured


@pytest.mark.parametrize("asks", [True, False])
async def test_a_cuff_that_hangs_up_when_it_is_to_pair_is_known_as_one(asks: bool) -> None:
    """Until it has let itself be paired, say in its pairing mode."""
    cuff = VirtualCuff(behaviour=replace(QUICK, leaves_at_pairing=True, asks_for_security=asks))
    fill(cuff, 2)
    async with room(cuff) as air:
        await air.wake(times=2)
        assert air.sink.payloads == []
        assert Learned(Manner.NO_PAIRING) in air.sink.known()[0].manners
    cuff.behaviour = replace(cuff.behaviour, leaves_at_pairing=False)
    async with room(cuff, sink=air.sink) as air:
        await air.wake()
    assert air.sink.payloads == cuff.measured
    assert Manner.NO_PAIRING not in {one.manner for one in air.sink.known()[0].manners}

"""A real exchange of ATT and SMP between the virtual cuffs and the host stack of the exclusive radio."""

from dataclasses import replace
from datetime import datetime, timedelta
from pathlib import Path

import pytest
from air import NoteSink, Reader, fill, room

from collector.radio.facts import Bond, ClockSet, Handles, Named, ReceivedPayload, ValueRead
from collector.radio.plan import SetClock, VisitPlan
from collector.radio.virtual import Behaviour, Drop, VirtualCuff
from parsers.cuff_clock import clock_shown, seconds_ahead
from parsers.uuids import Uuid

QUICK = Behaviour(lingers_s=0.05)


async def test_first_visit_brings_every_record_and_what_the_cuff_says_of_itself() -> None:
    cuff = VirtualCuff()
    records = fill(cuff, 3)
    async with room(cuff) as air:
        await air.wake()
    sink = air.sink
    assert sink.payloads == records == cuff.confirmed
    assert {arrival.characteristic for arrival in sink.arrivals} == {Uuid.BLOOD_PRESSURE_MEASUREMENT}
    assert all(
        arrival.cuff == cuff.address and arrival.encrypted and arrival.source == "virtual" for arrival in sink.arrivals
    )
    assert sink.visit_of == [1, 1, 1]
    assert sink.outcomes == {1: "cuff left"}
    assert sink.facts_of(Bond)[-1] == Bond(True)
    assert sink.facts_of(Named) == [Named("Practice cuff")]
    assert list(sink.facts_of(Handles)[0].handles.values()) == [Uuid.BLOOD_PRESSURE_MEASUREMENT]
    read = {fact.characteristic: fact.value for fact in sink.facts_of(ValueRead)}
    assert read[Uuid.MANUFACTURER_NAME] == b"Example Works"
    assert read[Uuid.BATTERY_LEVEL] == bytes([80])
    assert Uuid.CURRENT_TIME in read


async def test_a_bonded_cuff_that_indicates_before_discovery_is_heard() -> None:
    cuff = VirtualCuff(behaviour=QUICK)
    first = fill(cuff, 3)
    async with room(cuff) as air:
        await air.wake()
        later = fill(cuff, 5)
        cuff.steps.clear()
        await air.wake()
    steps = list(cuff.steps)
    assert steps.index("indicate") < steps.index("discover")
    assert air.sink.payloads == first + later == cuff.confirmed
    assert set(air.sink.visit_of[3:]) == {2}


async def test_an_early_indication_with_no_handles_remembered_waits_for_discovery() -> None:
    """Nothing is confirmed unseen: the confirmation is held until discovery tells what the handle is."""
    cuff = VirtualCuff(behaviour=QUICK)
    fill(cuff, 1)
    sink = NoteSink()
    async with room(cuff, sink=sink) as air:
        await air.wake()
        sink._known.clear()  # as after restoring an old store
        fill(cuff, 3)
        cuff.steps.clear()
        await air.wake()
    steps = list(cuff.steps)
    assert max(steps.index("indicate"), steps.index("characteristics")) < steps.index("confirm")
    assert sink.payloads == cuff.measured == cuff.confirmed


async def test_a_cuff_whose_subscription_is_taken_back_keeps_the_rest() -> None:
    """It neither indicates nor notifies then (Core Vol 3 Part G 3.3.3.3)."""

    class Fickle(NoteSink):
        def take(self, arrival: ReceivedPayload, visit: int | None) -> None:
            super().take(arrival, visit)
            if len(self.arrivals) == 2:
                cuff._plugged._current().configure(Uuid.BLOOD_PRESSURE_MEASUREMENT, b"\x00\x00")

    cuff = VirtualCuff(behaviour=QUICK)
    records = fill(cuff, 5)
    sink = Fickle()
    async with room(cuff, sink=sink) as air:
        await air.wake()
    assert sink.payloads == cuff.confirmed == records[:2]
    assert len(cuff.memory.records) == 3


async def test_a_record_measured_while_connected_is_sent_at_once() -> None:
    cuff = VirtualCuff(behaviour=Behaviour(lingers_s=0.3))
    fill(cuff, 1)
    sink = NoteSink()

    def measure_on_first(arrival: object) -> None:
        if not sink.arrivals:
            cuff.measure(142, 91, pulse=71)

    sink.refuse = measure_on_first
    async with room(cuff, sink=sink) as air:
        await air.wake()
    assert sink.payloads == cuff.measured
    assert len(sink.payloads) == 2


async def test_without_pairing_records_come_unencrypted_and_say_so() -> None:
    cuff = VirtualCuff(behaviour=Behaviour(pairing=False, lingers_s=0.05))
    fill(cuff, 2)
    async with room(cuff) as air:
        await air.wake()
        fill(cuff, 2)
        await air.wake()
    assert air.sink.payloads == cuff.measured
    assert [arrival.encrypted for arrival in air.sink.arrivals] == [False] * 4
    assert air.sink.facts_of(Bond) == [Bond(False), Bond(False)]


async def test_pairs_when_the_subscription_is_refused_for_want_of_encryption() -> None:
    """No Security Request, but Insufficient Encryption in answer (Core Vol 3 Part F 3.4.1.1)."""
    cuff = VirtualCuff(behaviour=Behaviour(asks_for_security=False, lingers_s=0.05))
    fill(cuff, 2)
    async with room(cuff) as air:
        await air.wake()
    assert air.sink.payloads == cuff.measured == cuff.confirmed
    assert all(arrival.encrypted for arrival in air.sink.arrivals)


async def test_passkey_shown_by_the_cuff_and_typed_in() -> None:
    async def typed() -> int:
        return 123456

    cuff = VirtualCuff(behaviour=Behaviour(passkey=123456, lingers_s=0.05))
    fill(cuff, 2)
    async with room(cuff, person=Reader(typed)) as air:
        await air.wake()
    assert air.sink.payloads == cuff.measured


@pytest.mark.parametrize("passkey", [None, 123456])
async def test_legacy_pairing_and_the_bond_it_leaves(passkey: int | None) -> None:
    """LE Legacy Pairing (Core Vol 3 Part H 2.3.5): keys with EDIV and Rand, used again on the next visit."""

    async def typed() -> int | None:
        return passkey

    cuff = VirtualCuff(behaviour=Behaviour(legacy_pairing=True, passkey=passkey, lingers_s=0.05))
    fill(cuff, 2)
    async with room(cuff, person=Reader(typed) if passkey else None) as air:
        await air.wake()
        ((_, keys),) = await air.radio._device.keystore.get_all()
        assert keys.ltk is None
        assert keys.ltk_central is not None
        assert keys.ltk_central.authenticated is (passkey is not None)
        fill(cuff, 3)
        cuff.steps.clear()
        await air.wake()
    assert air.sink.payloads == cuff.measured == cuff.confirmed
    assert list(cuff.steps)[:3] == ["connect", "encrypted", "indicate"]


async def test_a_wrong_passkey_gets_no_record_and_loses_none() -> None:
    async def typed() -> int:
        return 654321

    cuff = VirtualCuff(behaviour=Behaviour(passkey=123456, lingers_s=0.05, patience_s=0.5, advertises_s=1.0))
    fill(cuff, 2)
    async with room(cuff, person=Reader(typed), pause_s=5.0) as air:
        await air.wake()
    assert air.sink.payloads == cuff.confirmed == []
    assert all(outcome.startswith(("failed", "cuff left")) for outcome in air.sink.outcomes.values())


@pytest.mark.parametrize("clock", ["current time", "date time", None])
async def test_the_cuffs_clock_is_read_with_the_instant_it_held(clock: str | None) -> None:
    cuff = VirtualCuff(behaviour=Behaviour(clock=clock, lingers_s=0.05), clock_ahead=timedelta(hours=3))
    fill(cuff, 1)
    async with room(cuff) as air:
        await air.wake()
    clocks = [
        fact for fact in air.sink.facts_of(ValueRead) if fact.characteristic in (Uuid.CURRENT_TIME, Uuid.DATE_TIME)
    ]
    assert len(clocks) == (clock is not None)
    if clocks:
        shown = clock_shown(clocks[0].characteristic, clocks[0].value)
        assert shown is not None
        assert seconds_ahead(shown, clocks[0].at, None) == pytest.approx(3 * 3600, abs=1.1)
        assert 0 <= clocks[0].round_trip_s < 5


@pytest.mark.parametrize("reserves", [False, True])
async def test_setting_the_clock_stands_between_two_readings_of_it(
    reserves: bool, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("collector.radio.visit.QUIET_S", 0.05)
    monkeypatch.setattr("collector.radio.visit.LOOK_S", 0.01)
    behaviour = Behaviour(clock_reserves=reserves, lingers_s=0.4)
    cuff = VirtualCuff(behaviour=behaviour, clock_ahead=timedelta(days=-400))
    records = fill(cuff, 3)
    async with room(cuff, plan=VisitPlan(set_clock=SetClock.WHEN_WRONG)) as air:
        await air.wake()
        await air.wake()  # right by now: left alone
    sink = air.sink
    kinds = [
        type(fact)
        for visit, fact in sink.facts
        if visit == 1 and getattr(fact, "characteristic", None) == Uuid.CURRENT_TIME
    ]
    assert kinds == [ValueRead, ValueRead, ClockSet, ValueRead]
    assert [fact.error for fact in sink.facts_of(ClockSet)] == [0x80 if reserves else None]
    assert abs(cuff.clock() - datetime.now()) < timedelta(seconds=2)
    assert sink.payloads == records


async def test_stored_records_come_on_request_in_segments_with_check() -> None:
    from parsers.record import Reassembler, Record

    behaviour = Behaviour(enhanced=True, keeps_records=True, crc=True, features=0x40, lingers_s=0.5)
    cuff = VirtualCuff(behaviour=behaviour)
    fill(cuff, 4)
    sink = NoteSink()
    async with room(cuff, sink=sink) as air:
        await air.wake()
    assert {arrival.characteristic for arrival in sink.arrivals} == {Uuid.BLOOD_PRESSURE_RECORD}
    assert len(sink.arrivals) == 8, "25 octets and check take two segments at the smallest MTU"
    whole = Reassembler(crc=True)
    got = [item for arrival in sink.arrivals for item in whole.feed(arrival.value)]
    assert [item.value for item in got if isinstance(item, Record)] == cuff.measured


@pytest.mark.parametrize(("code", "records"), [(4711, 2), (1, 0), (None, 0)])
async def test_consent_only_where_the_configuration_names_the_user(code: int | None, records: int) -> None:
    cuff = VirtualCuff(behaviour=Behaviour(consent=(1, 4711), lingers_s=0.05))
    fill(cuff, 2)
    users = {cuff.address: ((1, code),)} if code is not None else {}
    async with room(cuff, plan=VisitPlan(users=users)) as air:
        await air.wake()
    assert len(air.sink.payloads) == records
    assert ("write 2a9f" in cuff.steps) == (code is not None)


async def test_a_cuff_that_lists_no_service_is_known_by_its_address() -> None:
    cuff = VirtualCuff(behaviour=QUICK)
    fill(cuff, 1)
    sink = NoteSink()
    async with room(cuff, sink=sink) as air:
        await air.wake()
        cuff.behaviour = replace(cuff.behaviour, lists_service=False)
        fill(cuff, 2)
        await air.wake()
    assert sink.payloads == cuff.measured


async def test_a_cuff_with_a_new_private_address_each_time_is_one_cuff() -> None:
    cuff = VirtualCuff(behaviour=Behaviour(private_address=True, lingers_s=0.05))
    seen: set[str] = set()
    async with room(cuff) as air:
        for _ in range(4):
            fill(cuff, 2)
            await air.wake()
            seen.add(str(cuff._plugged.device.random_address))
    assert len(seen) == 4
    assert air.sink.payloads == cuff.measured == cuff.confirmed
    assert set(air.sink.cuffs.values()) == {cuff.address}, "always under its identity"
    assert len(air.sink.cuffs) == 4


async def test_unknown_cuffs_are_left_alone_where_only_known_ones_may_speak() -> None:
    known, unknown = (
        VirtualCuff(behaviour=QUICK),
        VirtualCuff("Other", "F0:00:00:00:00:01", Behaviour(lingers_s=0.05, advertises_s=0.3)),
    )
    fill(known, 1)
    fill(unknown, 1)
    sink = NoteSink()
    sink.accept = lambda cuff: cuff == known.address
    async with room(known, unknown, sink=sink) as air:
        await air.wake()
    assert sink.payloads == known.measured
    assert set(sink.cuffs.values()) == {known.address}
    assert not unknown.steps


async def test_bonds_outlive_the_process(tmp_path: Path) -> None:
    cuff = VirtualCuff(behaviour=QUICK)
    sink = NoteSink()
    fill(cuff, 1)
    async with room(cuff, sink=sink, keys=tmp_path) as air:
        await air.wake()
        keystore = cuff._plugged.device.keystore
    assert (tmp_path / "bonds.json").stat().st_mode & 0o777 == 0o600
    fill(cuff, 2)
    async with room(cuff, sink=sink, keys=tmp_path) as air:
        cuff._plugged.device.keystore = keystore  # the cuff's side was never switched off
        cuff.steps.clear()
        await air.wake()
    assert sink.payloads == cuff.measured
    assert list(cuff.steps)[:3] == ["connect", "encrypted", "indicate"], "no second pairing"


async def test_drop_is_a_cut_by_the_cuff() -> None:
    cuff = VirtualCuff(behaviour=Behaviour(drop=Drop("discover"), lingers_s=0.05))
    fill(cuff, 1)
    async with room(cuff) as air:
        await air.wake(times=2)
    assert air.sink.outcomes == {1: "link lost", 2: "cuff left"}
    assert air.sink.payloads == cuff.measured

"""How the radio chooses whom to connect to, gives up on who is gone, and notices that its adapter failed."""

import asyncio
import time

import pytest
from air import NoteSink, fill, room
from bumble.core import AdvertisingData
from reports import legacy

from collector.radio.errors import RadioUnavailable
from collector.radio.exclusive.scan import LONGEST_PAUSE_S, MOST_REMEMBERED, NEW_BURST_S, Advert, Advertiser
from collector.radio.plan import VisitPlan
from collector.radio.virtual import Behaviour, VirtualCuff, VirtualRadio

QUICK = Behaviour(lingers_s=0.05)
CALLS = bytes(AdvertisingData([(AdvertisingData.COMPLETE_LIST_OF_16_BIT_SERVICE_CLASS_UUIDS, b"\x10\x18")]))


async def started(radio: VirtualRadio, sink: NoteSink) -> asyncio.Task[None]:
    task = asyncio.ensure_future(radio.run(sink, VisitPlan(), asyncio.Event()))
    await radio.listening.wait()
    return task


async def test_a_cuff_that_is_gone_again_holds_nobody_up(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("collector.radio.exclusive.radio.CONNECT_S", 0.1)
    cuff = VirtualCuff(behaviour=QUICK)
    fill(cuff, 2)
    async with room(cuff, pause_s=0.05) as air:
        host = air.radio._device.host
        host.on_packet(legacy(CALLS, address="C0:00:00:00:00:99"))
        await asyncio.sleep(0.02)
        await air.wake()
    assert air.sink.payloads == cuff.measured
    assert set(air.sink.cuffs.values()) == {cuff.address}


async def test_a_crowd_of_pretenders_does_not_keep_a_known_cuff_waiting(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("collector.radio.exclusive.radio.CONNECT_S", 0.1)
    cuff = VirtualCuff(behaviour=QUICK)
    fill(cuff, 1)
    async with room(cuff, pause_s=0.05) as air:
        await air.wake()
        for n in range(MOST_REMEMBERED + 50):
            air.radio._device.host.on_packet(legacy(CALLS, address=f"C0:00:00:00:{n >> 8:02X}:{n & 255:02X}"))
        fill(cuff, 2)
        await air.wake()
        assert len(air.radio.advertisers.cuffs) <= MOST_REMEMBERED
    assert air.sink.payloads == cuff.measured


def heard() -> Advertiser:
    return Advertiser(Advert(bytes(6), 1, True, CALLS), 0.0)


def test_pauses_double_with_each_fruitless_visit() -> None:
    radio, cuff = VirtualRadio([], pause_s=1.0), heard()
    pauses = []
    for _ in range(9):
        radio.advertisers.pause(cuff, fruitful=False)
        pauses.append(round(cuff.not_before - time.monotonic()))
    assert pauses == [1, 2, 4, 8, 16, 32, LONGEST_PAUSE_S, LONGEST_PAUSE_S, LONGEST_PAUSE_S]
    radio.advertisers.pause(cuff, fruitful=True)
    assert cuff.fruitless == 0
    assert cuff.not_before - time.monotonic() <= 1


async def test_who_fell_silent_and_speaks_up_again_need_not_wait() -> None:
    """A cuff that was visited in vain and is heard again after a silence: somebody measured."""
    async with room() as air:
        radio = air.radio
        await asyncio.sleep(0)
        radio.advertisers.cuffs["C0:00:00:00:00:99"] = cuff = heard()
        cuff.not_before = time.monotonic() + 50
        cuff.last = time.monotonic() - NEW_BURST_S / 2
        (advert,) = [Advert(bytes.fromhex("9900000000c0"), 1, True, CALLS)]
        radio._on_advert(advert)
        assert cuff.not_before > time.monotonic()
        cuff.last = time.monotonic() - NEW_BURST_S * 2
        cuff.busy = True
        radio._on_advert(advert)
        assert cuff.not_before > time.monotonic()
        cuff.last = time.monotonic() - NEW_BURST_S * 2
        cuff.busy = False
        radio._on_advert(advert)
        assert cuff.not_before == 0.0
        cuff.busy = True


async def test_a_controller_that_reports_its_failure() -> None:
    """HCI Hardware Error event (Core Vol 4 Part E 7.7.16)."""
    radio = VirtualRadio([VirtualCuff()])
    task = await started(radio, NoteSink())
    radio._device.host.on_packet(bytes.fromhex("04100100"))
    with pytest.raises(RadioUnavailable, match="the adapter is gone"):
        await task


async def test_a_controller_that_falls_silent(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("collector.radio.exclusive.radio.PULSE_S", 0.01)
    monkeypatch.setattr("collector.radio.exclusive.radio.PATIENCE_S", 0.05)
    radio = VirtualRadio([VirtualCuff()])
    task = await started(radio, NoteSink())
    radio._device.host.hci_sink.on_packet = lambda packet: None
    with pytest.raises(RadioUnavailable, match="does not answer"):
        await task


async def test_the_radio_can_be_run_again() -> None:
    cuff = VirtualCuff(behaviour=QUICK)
    radio, sink = VirtualRadio([cuff]), NoteSink()
    for _ in range(2):
        stop = asyncio.Event()
        task = asyncio.ensure_future(radio.run(sink, VisitPlan(), stop))
        await radio.listening.wait()
        fill(cuff, 2)
        await cuff.wake()
        stop.set()
        await task
    assert sink.payloads == cuff.measured


async def test_progress_is_made_while_cuffs_are_heard() -> None:
    async with room() as air:
        air.radio.progress = 0.0
        air.radio._device.host.on_packet(legacy(b"", address="C0:00:00:00:00:99"))
        assert air.radio.progress > 0


async def test_a_store_in_trouble_leaves_no_link_open() -> None:
    cuff = VirtualCuff(behaviour=Behaviour(lingers_s=0.05, patience_s=600.0))
    fill(cuff, 2)
    sink = NoteSink()
    async with room(cuff, sink=sink, pause_s=0.05) as air:
        known, calls = sink.known, []

        def in_trouble() -> tuple[object, ...]:
            calls.append(1)
            raise OSError("disk full")

        sink.known = in_trouble
        await air.wake()  # ends because the cuff is hung up on; by itself it would stay ten minutes
        assert calls
        sink.known = known
        await air.wake()
    assert sink.payloads == cuff.measured

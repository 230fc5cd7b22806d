"""Nothing is confirmed to a cuff before it is on disk; what could not be stored stays in the cuff."""

import asyncio
from contextlib import suppress
from dataclasses import replace
from pathlib import Path

import bumble
import pytest
from air import NoteSink, Reader, fill, room
from bumble import att
from served import ServedAdapter

from collector.radio.errors import RadioUnavailable
from collector.radio.exclusive.adapter import ExclusiveRadio
from collector.radio.exclusive.host import ConfirmLast
from collector.radio.exclusive.link import BumbleLink
from collector.radio.facts import ReceivedPayload
from collector.radio.plan import VisitPlan
from collector.radio.virtual import Behaviour, VirtualCuff
from parsers.uuids import Uuid

QUICK = Behaviour(lingers_s=0.05)
SOON = Behaviour(lingers_s=0.05, patience_s=1.0, advertises_s=3.0)


def test_the_version_whose_source_we_build_upon() -> None:
    """gatt_client.Client.on_att_handle_value_indication confirms after its subscribers: read in 0.0.236."""
    from importlib.metadata import version

    assert version("bumble") == "0.0.236"
    assert bumble.__name__ == "bumble"


@pytest.fixture
def wire(monkeypatch: pytest.MonkeyPatch) -> list[str]:
    """The order of what is taken and what is confirmed."""
    events: list[str] = []
    send = ConfirmLast.send_gatt_pdu

    def send_gatt_pdu(self: ConfirmLast, pdu: bytes) -> None:
        if pdu[0] == att.Opcode.ATT_HANDLE_VALUE_CONFIRMATION:
            events.append("confirmation")
        send(self, pdu)

    monkeypatch.setattr(ConfirmLast, "send_gatt_pdu", send_gatt_pdu)
    return events


async def test_the_confirmation_follows_the_commit(wire: list[str]) -> None:
    cuff = VirtualCuff(behaviour=QUICK)
    fill(cuff, 5)

    def taken(arrival: ReceivedPayload) -> None:
        wire.append("taken")

    async with room(cuff, sink=NoteSink(taken)) as air:
        await air.wake()
    assert wire == ["taken", "confirmation"] * 5


@pytest.mark.parametrize("error", [None, RuntimeError("a mistake")])
async def test_what_cannot_be_stored_is_not_confirmed_and_comes_again(wire: list[str], error: Exception | None) -> None:
    cuff = VirtualCuff(behaviour=QUICK)
    records = fill(cuff, 4)
    sink = NoteSink()
    full = True

    def refuse(arrival: ReceivedPayload) -> str | None:
        if full and len(sink.arrivals) == 2:
            if error is not None:
                raise error
            return "disk full"
        return None

    sink.refuse = refuse
    async with room(cuff, sink=sink) as air:
        await air.wake()
        assert sink.payloads == cuff.confirmed == records[:2]
        assert wire == ["confirmation"] * 2
        why = "disk full" if error is None else "RuntimeError: a mistake"
        assert sink.outcomes == {1: f"failed: {why}"}
        full = False
        await air.wake()
    assert sink.payloads == cuff.confirmed == records
    assert sink.outcomes[2] == "cuff left"


async def test_a_flood_is_stopped_and_the_rest_stays_in_the_cuff() -> None:
    cuff = VirtualCuff(behaviour=QUICK)
    records = fill(cuff, 12)
    async with room(cuff, plan=VisitPlan(most_records=5)) as air:
        await air.wake()
        assert air.sink.payloads == cuff.confirmed == records[:5]
        assert air.sink.outcomes == {1: "we left"}
        await air.wake(times=2)
    assert air.sink.payloads == cuff.confirmed == records


async def test_a_bond_lost_by_the_cuff_is_made_again_and_told() -> None:
    cuff = VirtualCuff(behaviour=QUICK)
    fill(cuff, 1)
    async with room(cuff) as air:
        await air.wake()
        cuff.behaviour = replace(cuff.behaviour, forgets_bond=True)
        fill(cuff, 2)
        await air.wake()
    from collector.radio.facts import Bond

    assert air.sink.payloads == cuff.measured == cuff.confirmed
    assert [*dict.fromkeys(air.sink.facts_of(Bond))] == [Bond(True), Bond(True, "cuff", renewed=True)]


@pytest.mark.parametrize("pairs_anew", [True, False])
async def test_whoever_has_not_the_key_takes_nothing_from_the_cuff(tmp_path: Path, pairs_anew: bool) -> None:
    """Another at a bonded cuff's address: the cuff's own bond outlives it, and only a person lets it in."""
    cuff = VirtualCuff(behaviour=QUICK)
    other = VirtualCuff("Another", cuff.address, QUICK)
    sink = NoteSink()
    sink.pairs_anew = pairs_anew
    fill(cuff, 1)
    fill(other, 1, systolic=159)
    async with room(cuff, sink=sink, keys=tmp_path) as air:
        await air.wake()
        its_own = cuff._radio.device.keystore
    async with room(other, sink=sink, keys=tmp_path) as air:
        with suppress(TimeoutError):
            await asyncio.wait_for(air.wake(), 3)
    assert (other.measured[0] in sink.payloads) is pairs_anew
    assert any("does not have the bond" in (text or "") for text in sink.told.values()) is not pairs_anew
    fill(cuff, 1)
    async with room(cuff, sink=sink, keys=tmp_path) as air:
        cuff._radio.device.keystore = its_own  # it never lost its side
        await air.wake(times=2)
    assert air.sink.known()[0].bonded
    assert set(cuff.measured) <= set(sink.payloads)


async def test_a_bond_lost_by_us_is_made_again_and_told(tmp_path: Path) -> None:
    cuff = VirtualCuff(behaviour=QUICK)
    sink = NoteSink()
    fill(cuff, 1)
    async with room(cuff, sink=sink, keys=tmp_path) as air:
        await air.wake()
        bonds = air.radio._device.keystore
        for name, _ in await bonds.get_all():
            await bonds.delete(name)
        fill(cuff, 2)
        await air.wake()
    from collector.radio.facts import Bond

    assert sink.payloads == cuff.measured == cuff.confirmed
    assert sink.facts_of(Bond)[-1] == Bond(True, "ours", renewed=True)


async def test_a_passkey_bond_is_not_replaced_behind_your_back() -> None:
    """Who claims to have lost a bond may be somebody else: one made with digits is only made anew by hand."""

    async def typed() -> int:
        return 123456

    cuff = VirtualCuff(behaviour=Behaviour(passkey=123456, lingers_s=0.05, patience_s=0.5))
    fill(cuff, 1)
    person = Reader(typed)
    async with room(cuff, person=person, pause_s=5.0) as air:
        await air.wake()
        person.there = False
        air.radio.advertisers.cuffs.clear()
        cuff.behaviour = replace(cuff.behaviour, forgets_bond=True, asks_for_security=False, advertises_s=2.0)
        fill(cuff, 1)
        await air.wake()
        assert len(air.sink.payloads) == 1
        assert len(cuff.confirmed) == 1
        person.there = True
        air.radio.advertisers.cuffs.clear()
        cuff.behaviour = replace(cuff.behaviour, advertises_s=20.0, patience_s=10.0)  # on a busy machine too
        await air.wake()
    assert len(air.sink.payloads) == 2


async def test_adapters_that_cannot_be_had_say_why_in_one_line(tmp_path: Path) -> None:
    for spec in (
        "hci-socket:7",
        "unix:/nowhere/at/all",
        "tcp-client:127.0.0.1:9",
        "usb:0",
        "nonsense:1",
        "hci-socket:x",
    ):
        radio = ExclusiveRadio(spec, tmp_path)
        with pytest.raises(RadioUnavailable) as error:
            await radio.run(NoteSink(), VisitPlan(), asyncio.Event())
        assert str(error.value).startswith("adapter ")
        assert "\n" not in str(error.value)


async def served_radio(dongle: ServedAdapter, sink: NoteSink, keys: Path) -> tuple[asyncio.Task[None], asyncio.Event]:
    radio, stop = ExclusiveRadio(dongle.spec, keys, pause_s=0.0), asyncio.Event()
    task = asyncio.ensure_future(radio.run(sink, VisitPlan(), stop))
    await asyncio.wait({task, asyncio.ensure_future(radio.listening.wait())}, return_when=asyncio.FIRST_COMPLETED)
    return task, stop


async def test_the_exclusive_radio_over_a_cable(tmp_path: Path) -> None:
    cuff = VirtualCuff(behaviour=QUICK)
    fill(cuff, 3)
    sink = NoteSink()
    async with ServedAdapter(tmp_path / "hci") as dongle:
        await cuff.plug_in(dongle.link)
        task, stop = await served_radio(dongle, sink, tmp_path)
        await cuff.wake()
        fill(cuff, 3)
        await cuff.wake()
        stop.set()
        await task
        await dongle.unplugged.wait()  # the adapter is given back
        await cuff.unplug()
    assert sink.payloads == cuff.measured == cuff.confirmed
    assert {arrival.source for arrival in sink.arrivals} == {"exclusive"}


async def test_an_adapter_pulled_out_in_a_visit(tmp_path: Path) -> None:
    cuff = VirtualCuff(behaviour=SOON)
    fill(cuff, 6)
    sink = NoteSink()
    async with ServedAdapter(tmp_path / "hci") as dongle:
        await cuff.plug_in(dongle.link)

        def pull(arrival: ReceivedPayload) -> None:
            if len(sink.arrivals) == 2:
                for plug in list(dongle.plugs):
                    plug.pull()

        sink.refuse = pull
        task, _ = await served_radio(dongle, sink, tmp_path)
        await cuff.wake()
        with pytest.raises(RadioUnavailable, match="gone"):
            await task
        assert list(sink.outcomes.values()) == ["link lost"]
        sink.refuse = None
        task, stop = await served_radio(dongle, sink, tmp_path)
        await cuff.wake()
        stop.set()
        await task
        await cuff.unplug()
    assert set(sink.payloads) == set(cuff.measured) == set(cuff.confirmed)


async def test_a_stop_in_the_middle_of_a_visit(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("collector.radio.exclusive.radio.FINISH_S", 0.1)
    cuff = VirtualCuff(behaviour=Behaviour(lingers_s=20.0))
    fill(cuff, 3)
    sink = NoteSink()
    async with room(cuff, sink=sink):
        asyncio.ensure_future(cuff.wake())  # noqa: RUF006
        while len(cuff.confirmed) < 3:  # noqa: ASYNC110
            await asyncio.sleep(0.001)
    assert sink.outcomes == {1: "we left"}
    assert sink.payloads == cuff.measured


async def test_an_adapter_that_cannot_scan_and_connect_at_once(monkeypatch: pytest.MonkeyPatch) -> None:
    """HCI answers Command Disallowed (0x0C) to a connection attempt while it scans."""
    from bumble import hci

    from collector.radio.virtual.device import CentralController

    for name in ("on_hci_le_create_connection_command", "on_hci_le_extended_create_connection_command"):
        plain = getattr(CentralController, name)

        def one_at_a_time(self: CentralController, command: hci.HCI_Command, plain: object = plain) -> None:
            if self.le_scan_enable:
                self._send_hci_command_status(hci.HCI_ErrorCode.COMMAND_DISALLOWED_ERROR, command.op_code)
            else:
                plain(self, command)

        monkeypatch.setattr(CentralController, name, one_at_a_time)
    cuff = VirtualCuff(behaviour=QUICK)
    fill(cuff, 2)
    async with room(cuff) as air:
        await air.wake()
        fill(cuff, 2)
        await air.wake()
    assert air.sink.payloads == cuff.measured


async def test_indications_that_are_no_records_are_confirmed_and_left(wire: list[str]) -> None:
    cuff = VirtualCuff(behaviour=Behaviour(strays=((0x0001, b"stray"), (0x7777, b"x")), lingers_s=0.05))
    fill(cuff, 2)
    async with room(cuff) as air:
        await air.wake()
    assert air.sink.payloads == cuff.measured
    assert wire == ["confirmation"] * 6


def test_link_is_what_the_port_asks_for() -> None:
    from collector.radio.port import Link, Radio

    def as_link(link: BumbleLink) -> Link:
        return link

    def as_radio(radio: ExclusiveRadio) -> Radio:
        return radio

    assert as_link
    assert as_radio
    assert Uuid.BLOOD_PRESSURE_MEASUREMENT == 0x2A35

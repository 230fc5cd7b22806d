"""The trial of an adapter before the exclusive radio rests on it, with a virtual controller behind a transport."""

import asyncio
from collections.abc import Callable

import pytest
from bumble import hci
from bumble.controller import Controller
from bumble.link import LocalLink

from collector.radio.errors import RadioUnavailable
from collector.radio.exclusive import trial
from collector.radio.virtual import VirtualCuff


class Wire:
    """A transport with a virtual controller at its far end. deaf: commands that it never answers."""

    def __init__(self, controller: Controller, deaf: tuple[type, ...] = ()) -> None:
        self.source = self.sink = self
        self.terminated: asyncio.Future[None] = asyncio.get_running_loop().create_future()
        self.closed = False
        self._controller, self._deaf = controller, deaf
        controller.set_packet_sink(self)
        self._host: Callable[[bytes], None] = lambda packet: None

    def set_packet_sink(self, host) -> None:
        self._host = host.on_packet

    def on_packet(self, packet: bytes) -> None:
        """From the controller an event, from the host a command."""
        if packet[0] == hci.HCI_EVENT_PACKET:
            self._host(packet)
        elif not isinstance(hci.HCI_Packet.from_bytes(packet), self._deaf):
            self._controller.on_packet(packet)

    async def close(self) -> None:
        self.closed = True


class Bench:
    """Hands out the adapter: each opening is one of `openings`, a controller to be had or the refusal."""

    def __init__(self, monkeypatch: pytest.MonkeyPatch) -> None:
        self.link = LocalLink()
        self.openings: list[Callable[[], Wire]] = []
        self.wires: list[Wire] = []
        monkeypatch.setattr(trial, "open_adapter", self._open)
        monkeypatch.setattr(trial, "LISTEN_S", 0.3)
        monkeypatch.setattr(trial, "SETTLE_S", 0.02)
        monkeypatch.setattr(trial, "ANSWER_S", 0.3)

    async def _open(self, spec: str) -> Wire:
        self.wires.append((self.openings.pop(0) if len(self.openings) > 1 else self.openings[0])())
        return self.wires[-1]

    def sound(self, deaf: tuple[type, ...] = (), lmp_subversion: int = 7) -> Wire:
        controller = Controller("tried", link=self.link, public_address="00:11:22:33:44:55")
        controller.lmp_subversion = lmp_subversion
        return Wire(controller, deaf)

    def refused(self) -> Wire:
        raise RadioUnavailable("adapter hci0 is in use by another program: only one can have it")


@pytest.fixture
async def bench(monkeypatch: pytest.MonkeyPatch) -> Bench:
    return Bench(monkeypatch)


async def awake(bench: Bench) -> VirtualCuff:
    """A cuff that advertises within reach."""
    cuff = VirtualCuff()
    await cuff.plug_in(bench.link)
    cuff.measure(120, 80, pulse=60)
    waking = asyncio.ensure_future(cuff.wake())
    waking.add_done_callback(lambda done: done.cancelled() or done.exception())
    return cuff


async def test_an_adapter_that_hears_and_comes_back_as_it_was_passes(bench: Bench) -> None:
    bench.openings = [bench.sound]
    cuff = await awake(bench)
    try:
        assert await trial.try_adapter("hci-socket:0") > 0
    finally:
        await cuff.unplug()
    assert [wire.closed for wire in bench.wires] == [True, True], "taken twice, given back twice"


@pytest.mark.parametrize(
    ("openings", "words"),
    [
        (lambda bench: [bench.refused], "in use by another program"),
        (lambda bench: [lambda: bench.sound(deaf=(hci.HCI_Reset_Command,))], "does not answer"),
        (lambda bench: [bench.sound, bench.refused], "was not given back: adapter hci0 is in use"),
        (lambda bench: [bench.sound, lambda: bench.sound(lmp_subversion=0)], "came back as another than it was"),
        (
            lambda bench: [bench.sound, lambda: bench.sound(deaf=(hci.HCI_Reset_Command,))],
            "was not given back: hci0 does not answer",
        ),
    ],
)
async def test_what_fails_a_trial_is_named(bench: Bench, openings: Callable, words: str) -> None:
    bench.openings = openings(bench)
    cuff = await awake(bench)
    try:
        with pytest.raises(RadioUnavailable, match=words):
            await trial.try_adapter("hci-socket:0")
    finally:
        await cuff.unplug()
    assert all(wire.closed for wire in bench.wires), "whatever happens, the adapter goes back"


async def test_an_adapter_that_hears_nothing_does_not_pass(bench: Bench) -> None:
    bench.openings = [bench.sound]
    with pytest.raises(RadioUnavailable, match="heard nothing in 0 s"):
        await trial.try_adapter("hci-socket:0")
    assert all(wire.closed for wire in bench.wires)

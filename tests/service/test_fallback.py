"""An exclusive radio that fails for a while: the service goes on over BlueZ, and says what that costs."""

import asyncio
from pathlib import Path

import pytest
from air import NoteSink

from collector.radio.errors import RadioUnavailable
from collector.radio.plan import VisitPlan
from collector.radio.port import Sink
from collector.service.config import parse
from collector.service.listen import fallback
from collector.service.listen.assemble import radio_of
from collector.service.listen.fallback import FallingBack
from collector.service.listen.supervise import RunControl, keep_radio_running
from collector.store.opening import open_store


class Played:
    """A radio that runs until it is told to stop, or fails at once."""

    def __init__(self, source: str, fails: bool = False) -> None:
        self.source, self.fails, self.progress, self.runs = source, fails, 0.0, 0
        self.running = asyncio.Event()

    async def run(self, sink: Sink, plan: VisitPlan, stop: asyncio.Event) -> None:
        self.runs += 1
        if self.fails:
            raise RadioUnavailable("adapter hci0 is not there")
        self.running.set()
        await stop.wait()
        self.running.clear()


async def test_bluez_takes_over_after_a_while_and_a_new_start_tries_again(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(fallback, "PATIENCE_S", 0.05)
    first, second, sink = Played("exclusive", fails=True), Played("bluez"), NoteSink()
    radio, control = FallingBack(first, lambda: second), RunControl(VisitPlan())
    running = asyncio.ensure_future(keep_radio_running(radio, sink, control, retry_s=0.01))
    await asyncio.wait_for(second.running.wait(), 5)
    assert first.runs > 1, "not at the first failure"
    assert radio.source == "bluez"
    told = sink.told["fallback"] or ""
    assert "adapter hci0 is not there" in told
    assert "a power cut can cost one" in told
    first.fails = False
    control.restart(VisitPlan())
    await asyncio.wait_for(first.running.wait(), 5)
    assert radio.source == "exclusive"
    control.end()
    await asyncio.wait_for(running, 5)
    assert sink.told["fallback"] is None


async def test_where_bluez_fails_too_the_first_is_tried_again(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(fallback, "PATIENCE_S", 0.0)
    first, second, sink = Played("exclusive", fails=True), Played("bluez", fails=True), NoteSink()
    control = RunControl(VisitPlan())
    radio = FallingBack(first, lambda: second)
    running = asyncio.ensure_future(keep_radio_running(radio, sink, control, retry_s=0.01))
    async with asyncio.timeout(5):
        while not (first.runs > 2 and second.runs > 2):  # noqa: ASYNC110
            await asyncio.sleep(0.01)
    control.end()
    await asyncio.wait_for(running, 5)


def test_the_configuration_asks_for_it(tmp_path: Path) -> None:
    with open_store(tmp_path / "store.db") as store:
        radio = radio_of(parse('[radio]\nkind = "exclusive"'), store)
    assert isinstance(radio, FallingBack)
    assert radio.source == "exclusive"

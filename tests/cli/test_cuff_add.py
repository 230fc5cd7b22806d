"""`cuff add` at a terminal: it asks for what the cuff shows, and says so when the cuff has delivered."""

import asyncio
import threading
import time
from collections.abc import Iterator
from contextlib import contextmanager
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest
from air import fill, room
from kept import store_sink
from pseudo import Terminal

from collector.radio.facts import CUFF_LEFT, Named, ReceivedPayload
from collector.radio.virtual import Behaviour, VirtualCuff
from collector.service.listen.pairing_person import StorePerson
from collector.service.listen.store_sink import StoreSink
from collector.store import readings
from collector.store.journal import cuffs, pairing
from collector.store.opening import open_store

CUFF = "F0:F1:F2:F3:F4:F5"
HIDDEN = Behaviour(
    passkey=123456, demands_digits=True, lists_service=False, lingers_s=0.1, advertises_s=0.5, patience_s=40.0
)


@contextmanager
def visited(folder: Path, cuff: VirtualCuff, until: int) -> Iterator[None]:
    """A service visits the cuff, which advertises again and again, until it has confirmed so many records."""

    async def serve() -> None:
        with store_sink(folder) as sink:
            async with room(cuff, sink=sink, person=StorePerson(sink.store), pause_s=0.0) as air:
                async with asyncio.timeout(50):
                    while len(cuff.confirmed) < until:
                        await air.wake()

    thread = threading.Thread(target=lambda: asyncio.run(serve()))
    thread.start()
    try:
        yield
    finally:
        thread.join()


@pytest.mark.parametrize("wanted", [CUFF, "Practice cuff"])
def test_a_cuff_that_names_no_service_and_wants_its_digits(
    tmp_path: Path, wanted: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("collector.radio.exclusive.radio.NEWS_S", 0.1)
    cuff = VirtualCuff(behaviour=HIDDEN)
    fill(cuff, 2)
    path = tmp_path / "quietcuff.db"
    with open_store(path):
        pass
    with visited(tmp_path, cuff, until=2):
        terminal = Terminal("--store", str(path), "cuff", "add", wanted)
        terminal.until("digits that it shows are asked for here")
        terminal.until(f"the six digits on the display of {CUFF}")
        terminal.press("12x\r")
        terminal.until("type all of them")
        terminal.press("123456\r")
        terminal.until(f"{CUFF} has delivered")
        _, code = terminal.end()
    assert code == 0
    with open_store(path) as store:
        outcomes = [outcome for (outcome,) in store.query("SELECT outcome FROM visit")]
        assert not [one for one in outcomes if "digits" in one], "asked in the first visit, not in the one after it"
        assert readings.count(store) == 2
        assert not pairing.anywhere(store, datetime.now(UTC))
        assert not cuffs.awaited(store, datetime.now(UTC))


def test_what_a_cuff_brought_before_is_not_what_it_brings_now(tmp_path: Path) -> None:
    def visited_once(sink: StoreSink, value: bytes | None) -> None:
        visit = sink.open_visit(CUFF, "bluez", datetime.now(UTC))
        sink.learn(visit, Named("Practice cuff"))
        if value is not None:
            sink.take(ReceivedPayload(CUFF, 0x2A35, value, datetime.now(UTC), "bluez"), visit)
        sink.close_visit(visit, datetime.now(UTC), CUFF_LEFT)

    before, now = fill(VirtualCuff(), 2)
    with store_sink(tmp_path) as sink:
        visited_once(sink, before)
        terminal = Terminal("--store", str(sink.store.path), "cuff", "add", "Practice cuff", "--for", "1")
        terminal.until("Ctrl-C ends this")
        visited_once(sink, None)
        time.sleep(0.5)
        pairing.ask(sink.store, CUFF, None, datetime.now(UTC))
        terminal.until("the six digits")
        terminal.press("123456\r")
        visited_once(sink, now)
        terminal.until(f"{CUFF} has delivered")
        assert terminal.end()[1] == 0


@pytest.mark.parametrize(("key", "answer"), [("y", 1), ("n", 0)])
def test_a_number_is_shown_to_be_compared(tmp_path: Path, key: str, answer: int) -> None:
    path = tmp_path / "quietcuff.db"
    with open_store(path) as store:
        terminal = Terminal("--store", str(path), "cuff", "add", CUFF)
        terminal.until("Ctrl-C ends this")
        while not pairing.present(store, CUFF, datetime.now(UTC)):
            time.sleep(0.02)
        pairing.ask(store, CUFF, 42, datetime.now(UTC))
        terminal.until(f"does {CUFF} show 000042?")
        terminal.press(f"{key}\r")
        while pairing.answer(store, CUFF) is None:
            time.sleep(0.02)
        assert pairing.answer(store, CUFF) == answer
        terminal.press("\x03")
        terminal.end()
        assert not pairing.present(store, CUFF, datetime.now(UTC) + timedelta(0))


def test_what_is_neither_address_nor_name_is_refused(tmp_path: Path) -> None:
    path = tmp_path / "quietcuff.db"
    with open_store(path):
        pass
    for wanted in ("C0:FF:EE:00:00", "a\tb", "x" * 99):
        said, code = Terminal("--store", str(path), "cuff", "add", wanted).end()
        assert code == 2
        assert "neither an address" in " ".join(said.split())

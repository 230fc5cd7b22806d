"""The BlueZ radio keeps no memory of strangers or of cuffs that BlueZ has dropped, and waits for who reads digits."""

import asyncio

import pytest
from air import NoteSink

from collector.radio.bluez import backoff, connecting
from collector.radio.bluez.backoff import LONGEST_PAUSE_S, NEW_BURST_S, Backoff
from collector.radio.bluez.bus import DEVICE, Bus
from collector.radio.bluez.delivery import Delivery, EarlyVisits
from collector.radio.bluez.visits import Visits
from collector.radio.plan import VisitPlan


def visits() -> Visits:
    return Visits(
        bus=Bus(),
        delivery=Delivery(EarlyVisits(NoteSink(), "bluez")),
        plan=VisitPlan(),
        subscriptions=False,
        wanted_adapter=lambda path: True,
    )


def test_strangers_leave_no_trace() -> None:
    """As in a wide scan, while a bond is lost."""
    ours = visits()
    for number in range(1000):
        path = f"/org/bluez/hci0/dev_{number}"
        address = f"C0:00:00:00:{number >> 8:02X}:{number & 0xFF:02X}"
        ours.bus.objects[path] = {DEVICE: {"Address": address, "UUIDs": []}}
        ours.seen(path)
    assert not ours._backoffs
    assert not ours.visits


def test_a_cuff_that_bluez_dropped_is_forgotten() -> None:
    ours = visits()
    ours._backoffs["/org/bluez/hci0/dev_1"] = Backoff()
    ours.removed("/org/bluez/hci0/dev_1", [DEVICE])
    assert not ours._backoffs


def test_a_cuff_that_comes_to_nothing_for_weeks_is_visited_ever_more_rarely(monkeypatch: pytest.MonkeyPatch) -> None:
    """Until it falls silent and comes anew: somebody measured."""
    now = 1000.0
    monkeypatch.setattr(backoff.time, "monotonic", lambda: now)
    cuff, pauses = Backoff(), []
    for _ in range(1100):  # a double overflows at 2 to the power of 1024
        cuff.seen()
        cuff.came_to_nothing()
        pauses.append(cuff._not_before - now)
    assert pauses[:3] == [2, 4, 8]
    assert set(pauses[8:]) == {LONGEST_PAUSE_S}
    now += NEW_BURST_S
    cuff.seen()
    assert not cuff.is_over
    now += NEW_BURST_S + 0.1
    cuff.seen()
    assert cuff.is_over


@pytest.mark.parametrize(("asked", "made_anew"), [(True, False), (False, True)])
async def test_a_link_on_which_digits_are_read_is_not_taken_for_deaf(
    monkeypatch: pytest.MonkeyPatch, asked: bool, made_anew: bool
) -> None:
    """bluetoothd 5.82 subscribes by itself at a link and asks for them then, before it says what the cuff has."""
    monkeypatch.setattr(connecting, "DEAF_S", 0.2)
    ours, path = visits(), "/org/bluez/hci0/dev_1"
    device = ours.bus.objects[path] = {
        DEVICE: {"Address": "C0:00:00:00:00:01", "Connected": True, "ServicesResolved": False}
    }
    hung_up: list[str] = []

    async def hang_up(path: str) -> None:
        hung_up.append(path)

    monkeypatch.setattr(ours.connecting, "hang_up", hang_up)
    monkeypatch.setattr(connecting, "DOWN_S", 0.0)
    if asked:
        ours.questions.open.add(path)
    up = asyncio.ensure_future(ours.connecting.up(path))
    await asyncio.sleep(0.6)
    ours.questions.open.discard(path)
    device[DEVICE]["ServicesResolved"] = True
    for watcher in tuple(ours.bus.watchers):
        watcher.changed(path, DEVICE, {"ServicesResolved": True})
    await up
    assert bool(hung_up) is made_anew

"""The BlueZ radio keeps no memory of strangers or of cuffs that BlueZ has dropped, and waits for who reads digits."""

import asyncio

import pytest
from air import NoteSink

from collector.radio.bluez import connecting
from collector.radio.bluez.bus import DEVICE, Bus
from collector.radio.bluez.delivery import Delivery, EarlyVisits
from collector.radio.bluez.visits import Backoff, Visits
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

"""The BlueZ radio keeps no memory of strangers, however many pass by, nor of cuffs that BlueZ has dropped."""

from air import NoteSink

from collector.radio.bluez.bus import DEVICE, Bus
from collector.radio.bluez.delivery import Delivery, EarlyVisits
from collector.radio.bluez.visits import Pace, Visits
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
    assert not ours._pace
    assert not ours.visits


def test_a_cuff_that_bluez_dropped_is_forgotten() -> None:
    ours = visits()
    ours._pace["/org/bluez/hci0/dev_1"] = Pace()
    ours.removed("/org/bluez/hci0/dev_1", [DEVICE])
    assert not ours._pace

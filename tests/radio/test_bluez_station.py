"""The station keeps no memory of strangers, however many pass by, nor of cuffs that BlueZ has dropped."""

from air import NoteDesk

from collector.radio.bluez.bus import DEVICE, Bus
from collector.radio.bluez.delivery import Keeper
from collector.radio.bluez.station import Pace, Station
from collector.radio.bluez.visits_begun import Reception
from collector.radio.port import VisitPlan


def station() -> Station:
    return Station(Bus(), Keeper(Reception(NoteDesk(), "bluez")), VisitPlan(), False, lambda path: True)


def test_strangers_leave_no_trace() -> None:
    """As in a wide scan, while a bond is lost."""
    ours = station()
    for number in range(1000):
        path = f"/org/bluez/hci0/dev_{number}"
        address = f"C0:00:00:00:{number >> 8:02X}:{number & 0xFF:02X}"
        ours.bus.objects[path] = {DEVICE: {"Address": address, "UUIDs": []}}
        ours.seen(path)
    assert not ours._pace
    assert not ours.visits


def test_a_cuff_that_bluez_dropped_is_forgotten() -> None:
    ours = station()
    ours._pace["/org/bluez/hci0/dev_1"] = Pace()
    ours.removed("/org/bluez/hci0/dev_1", [DEVICE])
    assert not ours._pace

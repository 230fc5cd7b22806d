"""Whether this machine's own clock can be believed, and where it stood when the machine started.

A Raspberry Pi has no clock that runs while it is off: until the network has told it the time it may be
hours or fifty years wrong. Source: rtc(4).
"""

import ctypes
import time
from datetime import UTC, datetime, timedelta
from pathlib import Path

from collector.radio.own_clock import trustworthy
from collector.store.database import Store
from collector.store.errors import StoreError
from collector.store.journal import stations
from collector.store.journal.payloads import newest_arrival

_TIME_ERROR = 5
_ROOM = 512  # for struct timex, whose length differs between machines


def synchronised() -> bool | None:
    """Whether the kernel holds the clock for synchronised, whoever does it; None where it cannot be asked.

    Source: adjtimex(2), return value TIME_ERROR. Asking changes nothing (modes 0).
    """
    try:
        state = ctypes.CDLL(None, use_errno=True).adjtimex(ctypes.create_string_buffer(_ROOM))
    except (OSError, AttributeError):
        return None
    return None if state < 0 else state != _TIME_ERROR


def set_by_network() -> bool:
    """Whether the network says what time it is: then nothing that was dated before speaks against it."""
    return bool(synchronised())


_DEVICE_TREE = "sys/firmware/devicetree/base"
"""Where /proc/device-tree leads, which the page's unit hides (ProcSubset=)."""


_WAS_SET = "run/systemd/timesync/synchronized"
"""There since the network set the clock for the first time after the start (systemd-timesyncd.service(8), "Files").

The kernel takes its word back after some nine hours without a network (kernel/time/ntp.c, `second_overflow`: the
largest error it allows for grows by 500 µs a second, up to 16 s); the clock has run on and is right to a second or so.
"""


def believable(now: float | None = None, root: Path = Path("/")) -> bool:
    """The clock is not absurd, and either set by the network or kept while the machine is off.

    Boards without a battery-backed clock are those described by a device tree and without /sys/class/rtc/rtc0; any
    other machine, a virtual one included, starts with a time that somebody kept for it.
    """
    if not trustworthy(datetime.fromtimestamp(time.time() if now is None else now, UTC)):
        return False
    keeps_time = (root / "sys/class/rtc/rtc0").exists() or not (root / _DEVICE_TREE).exists()
    return keeps_time or bool(synchronised()) or (root / _WAS_SET).exists()


_BEHIND = timedelta(minutes=2)
_AHEAD = timedelta(days=730)


def reason_to_doubt(now: datetime, newest_arrival: datetime | None) -> str | None:
    """Why nothing can be dated for good now: the clock is not kept, behind what the store knows, or years ahead of it.

    What arrived while it ran ahead would speak against the right time for years, so the network's word counts for more.
    newest_arrival: of the store's payloads, by a clock that was sure; None for an empty store.
    """
    shown = f"this machine's clock shows {now:%Y-%m-%d %H:%M} UTC"
    if not believable() or not trustworthy(now):
        return f"{shown}, and nothing has set it since the start"
    if set_by_network():
        return None
    against = speaks_against(now, newest_arrival)
    return against and f"{shown}, {against}"


def _is_behind(now: datetime, newest_arrival: datetime | None) -> bool:
    return newest_arrival is not None and now < newest_arrival - _BEHIND


def is_years_ahead(now: datetime, newest_arrival: datetime | None) -> bool:
    return newest_arrival is not None and now > newest_arrival + _AHEAD


def speaks_against(now: datetime, newest_arrival: datetime | None) -> str | None:
    """What the store knows that makes no sense by this clock, to stand behind what it shows."""
    if _is_behind(now, newest_arrival):
        return f"but something arrived on {newest_arrival:%Y-%m-%d %H:%M} UTC already"
    if is_years_ahead(now, newest_arrival):
        return f"years after the newest that arrived ({newest_arrival:%Y-%m-%d} UTC)"
    return None


_SET_BACK = timedelta(days=31)


def set_back_behind(store: Store) -> datetime | None:
    """What arrived later than now by a clock that was believed, a month at most: this one was set back, or ran ahead
    before, and nobody can tell which. What was once dated years ahead does not put in doubt whatever comes for years.
    """
    newest = newest_arrival(store, until=now() + _SET_BACK)
    return newest if _is_behind(now(), newest) else None


def years_ahead_of(store: Store) -> datetime | None:
    """What arrived last by a clock that was believed, where this one shows years later."""
    newest = newest_arrival(store)
    return newest if is_years_ahead(now(), newest) else None


def bear_nothing_out(store: Store) -> None:
    """What people enter from now on is no word for a clock that shows years more than what arrived: by it that clock
    would be believed, and the right one refused until those years are over.
    """
    store.clock_id = None
    if not set_by_network() and years_ahead_of(store):
        stations.unsure_clock(store, boot_id(), clock_at_boot())


def now() -> datetime:
    """By this machine's clock, in UTC. Tests that live in another year take its place."""
    return datetime.now(UTC)


def doubt(store: Store) -> str | None:
    """As `reason_to_doubt` now, with what to do about it."""
    reason = reason_to_doubt(now(), newest_arrival(store))
    return reason and f"{reason}; set it (sudo timedatectl set-ntp true), then try again"


def believed_now(store: Store, clock_is_right: bool = False) -> datetime:
    """Now, for whatever is dated for good. Raises StoreError where this machine's clock cannot be believed."""
    if not clock_is_right and (reason := doubt(store)):
        raise StoreError(reason, "clock")
    return now()


def boot_id() -> str:
    return Path("/proc/sys/kernel/random/boot_id").read_text("ascii").strip()


SET_S = 60.0
"""A clock that is kept right is slewed, or stepped by less than this."""


def clock_at_boot() -> float:
    """What the clock showed, or would have shown, when the machine started, in seconds: changes only when it is set."""
    return time.time() - time.clock_gettime(time.CLOCK_BOOTTIME)

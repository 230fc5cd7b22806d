"""Whether this machine's own clock can be believed, and putting right what was stamped while it could not.

A Raspberry Pi has no clock that runs while it is off: until the network has told it the time it may be
hours or fifty years wrong. Source: rtc(4).
"""

import logging
import time
from datetime import UTC, datetime
from pathlib import Path

from collector import intake
from collector.radio.cuff_clock import trustworthy
from collector.service.listen.kernel_clock import synchronised
from collector.store.database import Store
from collector.store.journal import stations

log = logging.getLogger("quietcuff.service")


def believable(now: float | None = None, root: Path = Path("/")) -> bool:
    """The clock is not absurd, and either set by the network or kept while the machine is off.

    Boards without a battery-backed clock are those described by a device tree and without /sys/class/rtc/rtc0; any
    other machine, a virtual one included, starts with a time that somebody kept for it.
    """
    if not trustworthy(datetime.fromtimestamp(time.time() if now is None else now, UTC)):
        return False
    keeps_time = (root / "sys/class/rtc/rtc0").exists() or not (root / "proc/device-tree").exists()
    return keeps_time or bool(synchronised())


def boot_id() -> str:
    return Path("/proc/sys/kernel/random/boot_id").read_text("ascii").strip()


def base() -> float:
    """Wall clock less time since boot: stays as it is until the clock is stepped."""
    return time.time() - time.clock_gettime(time.CLOCK_BOOTTIME)


class OurClock:
    """Marks what is stamped by a clock in doubt; once it is known, all that is put right."""

    def __init__(self, store: Store) -> None:
        self._store, self._boot = store, boot_id()
        self._in_doubt: bool | None = None

    def look(self) -> str | None:
        """Look again; returns a condition for `check` while in doubt."""
        if believable():
            if self._in_doubt is not False:
                settled = stations.clock_known(self._store, self._boot, base())
                if settled:
                    intake.catch_up(self._store)
                    log.info("this machine's clock is right now; arrivals since its start are put right")
            self._in_doubt = False
            return None
        stations.unsure_clock(self._store, self._boot, base())
        self._in_doubt = True
        return (
            "this machine's clock is not set by the network yet; arrivals are marked and put right "
            "once it is: connect it to a network, or fit a battery-backed clock"
        )

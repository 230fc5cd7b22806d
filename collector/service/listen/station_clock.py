"""Marks what is stamped while this machine's clock is in doubt, and puts it right once the clock is known."""

import logging
from datetime import datetime

from collector import intake
from collector.service import machine_clock
from collector.store.database import Store
from collector.store.journal import stations

log = logging.getLogger("quietcuff.service")


class StationClock:
    """The clock of the station whose store this is."""

    def __init__(self, store: Store) -> None:
        self._store, self._boot = store, machine_clock.boot_id()
        self._in_doubt: bool | None = None
        self._seen = machine_clock.clock_at_boot()  # as the clock stood when it was asked last
        self._at_boot: float | None = None
        self._behind: datetime | None = None  # what it has to catch up with since it was set last
        self._ahead_of: datetime | None = None  # what came years before it was set last

    def check(self) -> str | None:
        """Ask whether it can be believed; returns a condition for `check` while in doubt."""
        self._seen = at_boot = machine_clock.clock_at_boot()
        reason = self._reason_to_doubt(at_boot)
        if reason is None:
            if self._in_doubt is not False:
                settled = stations.clock_known(self._store, self._boot, at_boot)
                if settled:
                    intake.catch_up(self._store)
                    log.info("this machine's clock is right now; arrivals since its start are put right")
            self._in_doubt = False
            return None
        stations.unsure_clock(self._store, self._boot, at_boot)
        self._in_doubt = True
        return reason

    def before_dating(self) -> None:
        """Where the clock was set since it was asked last, what is dated next is of another run of it."""
        at_boot = machine_clock.clock_at_boot()
        if abs(at_boot - self._seen) <= machine_clock.SET_S:
            return
        self._seen = at_boot
        if self._reason_to_doubt(at_boot) is None:
            self._store.clock_id = None  # what came before is put right by `check`: here somebody waits
        else:
            stations.unsure_clock(self._store, self._boot, at_boot)
            self._in_doubt = True

    def _reason_to_doubt(self, at_boot: float) -> str | None:
        if not machine_clock.believable():
            return (
                "this machine's clock is not set by the network yet; arrivals are marked and put right "
                "once it is: connect it to a network, or fit a battery-backed clock"
            )
        if self._at_boot is None or abs(at_boot - self._at_boot) > machine_clock.SET_S:
            self._at_boot, self._behind = at_boot, machine_clock.set_back_behind(self._store)
            self._ahead_of = machine_clock.years_ahead_of(self._store)
        if machine_clock.set_by_network():
            self._behind = self._ahead_of = None  # also once the network is gone, until it is set otherwise
        if self._behind and machine_clock.now() < self._behind:
            return (
                f"this machine's clock was set back behind what arrived on {self._behind:%Y-%m-%d %H:%M} UTC; arrivals "
                "are marked and put right once it is (sudo timedatectl set-ntp true, or set it by hand) or has caught "
                "up: leave the machine on until then, what came before a restart stays marked"
            )
        if self._ahead_of:
            return (
                f"this machine's clock shows {machine_clock.now():%Y-%m-%d}, years after the newest that arrived "
                f"({self._ahead_of:%Y-%m-%d} UTC); arrivals are marked and put right once it is (sudo timedatectl "
                "set-ntp true, or set it by hand)"
            )
        return None

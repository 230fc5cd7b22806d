"""Marks what is stamped while this machine's clock is in doubt, and puts it right once the clock is known."""

import logging

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

    def check(self) -> str | None:
        """Ask whether it can be believed; returns a condition for `check` while in doubt."""
        at_boot = machine_clock.clock_at_boot()
        if machine_clock.believable():
            if self._in_doubt is not False:
                settled = stations.clock_known(self._store, self._boot, at_boot)
                if settled:
                    intake.catch_up(self._store)
                    log.info("this machine's clock is right now; arrivals since its start are put right")
            self._in_doubt = False
            return None
        stations.unsure_clock(self._store, self._boot, at_boot)
        self._in_doubt = True
        return (
            "this machine's clock is not set by the network yet; arrivals are marked and put right "
            "once it is: connect it to a network, or fit a battery-backed clock"
        )

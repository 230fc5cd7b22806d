"""Now, for commands that date something for good."""

from datetime import datetime

from collector.cli.common import dates
from collector.cli.common.command import Failure
from collector.service import machine_clock
from collector.store.database import Store
from collector.store.journal.payloads import newest_arrival


def believed_now(store: Store, clock_is_right: bool = False) -> datetime:
    """Now, for whatever is dated for good. Raises Failure where this machine's clock cannot be believed."""
    now = dates.now()
    if not clock_is_right and (doubt := machine_clock.reason_to_doubt(now, newest_arrival(store))):
        raise Failure(f"{doubt}; set it (sudo timedatectl set-ntp true), then run this again")
    return now

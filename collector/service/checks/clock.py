"""Is this machine's clock right, and are its zone rules known? Every time in the store rests on both."""

from collections.abc import Callable, Iterator
from datetime import datetime, timedelta, tzinfo

from tzlocal import get_localzone_name

from collector.radio.own_clock import trustworthy
from collector.service.checks.finding import Finding, attention, fine
from collector.service.machine_clock import synchronised


def findings(
    now: datetime,
    newest_arrival: datetime | None,
    zone: tzinfo | None,
    is_synchronised: Callable[[], bool | None] = synchronised,
) -> Iterator[Finding]:
    """newest_arrival: of the store, None for an empty one. zone: as configured, None for the machine's."""
    shown = now.astimezone(zone).isoformat(" ", "seconds")
    behind = newest_arrival is not None and now < newest_arrival - timedelta(minutes=2)
    if not trustworthy(now) or behind:
        than = f"the newest payload ({newest_arrival:%Y-%m-%d %H:%M} UTC)" if behind else "this program"
        yield attention(
            "clock",
            f"shows {shown}, which is older than {than}",
            "sudo timedatectl set-ntp true, or add a clock module to a machine without network",
        )
    elif is_synchronised() is False:
        yield attention(
            "clock",
            f"shows {shown}, but nothing keeps it right: times may be off",
            "sudo timedatectl set-ntp true, and see that the network is there",
        )
    else:
        yield fine("clock", f"shows {shown}")
    if zone is not None:
        yield fine("time zone", f"{zone}, as configured")
        return
    try:
        name = get_localzone_name()
    except Exception:  # whatever a broken /etc/localtime brings
        name = None
    if not name:
        yield attention(
            "time zone",
            "this machine's time zone has no name",
            "sudo timedatectl set-timezone Europe/Lisbon (yours), or zone under [station]",
        )
    elif name in ("UTC", "Etc/UTC"):
        yield fine("time zone", "UTC; do the cuffs show another time? Then set zone under [station]")
    else:
        yield fine("time zone", f"{name}, this machine's")

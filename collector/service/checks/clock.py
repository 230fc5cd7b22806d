"""Is this machine's clock right, and are its zone rules known? Every time in the store rests on both."""

from collections.abc import Callable, Iterator
from datetime import datetime, timedelta, tzinfo

from tzlocal import get_localzone_name

from collector.radio.own_clock import trustworthy
from collector.service.checks.finding import Finding, attention, fine
from collector.service.machine_clock import speaks_against, synchronised

_SET = "sudo timedatectl set-ntp true"
_OR = "or add a clock module to a machine without network"


def findings(
    now: datetime,
    newest_arrival: datetime | None,
    zone: tzinfo | None,
    is_synchronised: Callable[[], bool | None] = synchronised,
) -> Iterator[Finding]:
    """newest_arrival: of the store, None for an empty one. zone: as configured, None for the machine's."""
    yield _shown(now, newest_arrival, now.astimezone(zone), is_synchronised())
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


def _shown(now: datetime, newest_arrival: datetime | None, local: datetime, synchronised: bool | None) -> Finding:
    shown, against = f"shows {local.isoformat(' ', 'seconds')}", speaks_against(now, newest_arrival)
    if not trustworthy(now):
        return attention("clock", f"{shown}, {against or 'which is before this program was made'}", f"{_SET}, {_OR}")
    if synchronised and newest_arrival is not None and newest_arrival > now and against:
        return attention(
            "clock",
            f"{shown}, as the network says, {against}: the clock ran ahead then",
            f"look at what is dated so: quietcuff readings --since {local + timedelta(days=1):%Y-%m-%d}; "
            "quietcuff strike takes a wrong one out",
        )
    if against and not synchronised:
        return attention("clock", f"{shown}, {against}", f"{_SET}, {_OR}")
    if synchronised is False:
        return attention(
            "clock",
            f"{shown}, but nothing keeps it right: times may be off",
            f"{_SET}, and see that the network is there",
        )
    return fine("clock", shown)

"""Local wall time to UTC by the zone's rules, and the two hours a year that the rules make odd."""

from datetime import datetime
from functools import lru_cache
from zoneinfo import ZoneInfo

from collector.store.acceptable import FIRST_INSTANT, LAST_INSTANT
from collector.store.columns import zone_named
from collector.store.instants import DAY, SECOND, from_us, to_us

AUTUMN = "autumn hour"
"""Clocks went back: this wall time came twice."""
SPRING = "hour that was skipped"
"""Clocks went forward: this wall time never was."""


_WALL_EPOCH = datetime(1970, 1, 1)


def wall_us(wall: datetime) -> int:
    """Of a wall clock without zone: microseconds since it showed 1970."""
    since = wall - _WALL_EPOCH
    return (since.days * 86_400 + since.seconds) * SECOND + since.microseconds


def zone_of(name: str) -> ZoneInfo:
    """The zone's rules; UTC where this machine has none of that name."""
    try:
        return zone_named(name)
    except ValueError:
        return ZoneInfo("UTC")


def utc_of_local(shown: int, zone: str, before: int | None = None) -> tuple[int, str | None]:
    """UTC microseconds of a wall time, and a mark for the odd hours.

    Of an hour that comes twice the later one is meant, unless that is after `before`.
    Outside the years that the calendar knows the wall time is taken for UTC.
    """
    rules = zone_of(zone)
    naive = from_us(shown).replace(tzinfo=None)
    try:
        first, second = (to_us(naive.replace(tzinfo=rules, fold=fold)) for fold in (0, 1))
    except OverflowError:
        return shown, None
    if first == second:
        return first, None
    if first > second:  # the rules of a skipped hour: neither fold comes back to it
        return first, SPRING
    return (first if before is not None and second > before else second), AUTUMN


def local_offset(at: int, zone: str) -> int:
    """To add to local wall time to get UTC, at this instant; microseconds."""
    return _quarter_offset(at // (900 * SECOND), zone)


@lru_cache(maxsize=4096)
def _quarter_offset(quarter: int, zone: str) -> int:
    """Zones change their rules at quarters of an hour, if not at whole ones."""
    shift = from_us(quarter * 900 * SECOND).astimezone(zone_of(zone)).utcoffset()
    return 0 if shift is None else -round(shift.total_seconds()) * SECOND


def odd_hour(at: int, zone: str) -> str | None:
    """AUTUMN when the wall clock of the zone showed this instant's time twice that day."""
    if not FIRST_INSTANT <= at < LAST_INSTANT or _changes_about(at // DAY, zone):
        local = from_us(at).astimezone(zone_of(zone))
        return AUTUMN if local.fold or local.replace(fold=1).utcoffset() != local.utcoffset() else None
    return None


@lru_cache(maxsize=4096)
def _changes_about(day: int, zone: str) -> bool:
    """Whether the clocks there change on a day (since 1970), the day before or the day after.

    Nowhere have they gone there and back in less than four days (Freetown, September 1939: tz database 2025b).
    """
    return local_offset((day - 1) * DAY, zone) != local_offset((day + 2) * DAY, zone)

"""Times as people give them on the command line: ISO 8601, or a date that stands for a whole local day."""

from datetime import date, datetime, time, timedelta, tzinfo

from collector.cli.common.command import Usage
from collector.store.acceptable import FIRST_YEAR, LAST_YEAR

FORMS = "a date (2031-03-04) or ISO 8601 (2031-03-04T07:30, 2031-03-04T07:30+01:00)"

EARLIEST, LATEST = date(FIRST_YEAR, 1, 1), date(LAST_YEAR, 12, 31)
"""Reckoning with weeks before and after them stays inside the calendar."""


def since(text: str | None, option: str, zone: tzinfo | None) -> datetime | None:
    """The first instant meant: of a date, local midnight. zone: of the wall clock, None for this machine's.

    Raises Usage, naming the option, when the text is neither.
    """
    return None if text is None else _instant(text, option, zone, end=False)


def until(text: str | None, option: str, zone: tzinfo | None) -> datetime | None:
    """The first instant no longer meant: of a date, the midnight that ends it; of a time, that time."""
    return None if text is None else _instant(text, option, zone, end=True)


def instant(text: str, option: str, zone: tzinfo | None) -> datetime:
    """A point in time; a date alone is its midnight."""
    return _instant(text, option, zone, end=False)


def _instant(text: str, option: str, zone: tzinfo | None, end: bool) -> datetime:
    try:
        day = date.fromisoformat(text)
    except ValueError:
        pass
    else:
        try:
            return local(datetime.combine(day + timedelta(days=end), time()), zone)
        except (ValueError, OverflowError):
            raise Usage(f"{option} {text!r} is out of the calendar") from None
    try:
        moment = datetime.fromisoformat(text)
        return moment if moment.tzinfo else local(moment, zone)
    except (ValueError, OverflowError):
        raise Usage(f"{option} {text!r} is not a time; give {FORMS}") from None


def local(wall: datetime, zone: tzinfo | None) -> datetime:
    """A naive wall clock time as an aware one. In the hour that happens twice, the first of both."""
    return wall.astimezone() if zone is None else wall.replace(tzinfo=zone)


def minute(at: datetime, zone: tzinfo | None) -> str:
    """A time as it is shown: by the station's clock, with its offset."""
    return at.astimezone(zone).isoformat(" ", "minutes")


def day(text: str | None, option: str) -> date | None:
    """A day of the calendar. Raises Usage, naming the option."""
    return None if text is None else need_day(text, option)


def need_day(text: str, option: str) -> date:
    try:
        found = date.fromisoformat(text)
    except ValueError:
        raise Usage(f"{option} {text!r} is not a day; give a date like 2031-03-04") from None
    if not EARLIEST <= found <= LATEST:
        raise Usage(f"{option} {text!r} is out of the calendar; give a day from {EARLIEST} to {LATEST}")
    return found

"""What may come in from outside: one rule for logs, exports and other stations' stores.

A reading that no cuff and no person can have meant is refused at the door, with the reason: once inside, one bad value
would stop whatever reckons with all of them. What is merely unlikely is taken, and marked implausible by intake.
"""

import re
from collections.abc import Iterator
from dataclasses import fields
from datetime import UTC, date, datetime, timedelta
from decimal import Decimal, InvalidOperation
from functools import lru_cache
from typing import Any

from collector.store.errors import RefusedByStore
from collector.store.instants import to_us
from collector.store.namesakes import is_name
from collector.store.values import UNITS, Basis, Reading, can_be_sent

FIRST_YEAR, LAST_YEAR = 1900, 2199
FIRST_INSTANT = to_us(datetime(FIRST_YEAR, 1, 1, tzinfo=UTC))
LAST_INSTANT = to_us(datetime(LAST_YEAR + 1, 1, 1, tzinfo=UTC))  # not included
LONGEST = 4000  # characters of a text
_ID = re.compile("[0-9A-Za-z]{1,64}")
"""It is asked for on the command line, and stands in what is written for other programs."""
LONGEST_PAYLOAD = 1 << 18
"""Octets. A measurement has at most some fifty; a reading of an export holds its payload in hex, and its note."""
_OCTETS = re.compile(r"([0-9a-fA-F]{2})*")
_FARTHEST = timedelta(hours=16)  # of a clock from UTC


def number_problem(value: object) -> str | None:
    """What is wrong with a pressure or a pulse; None where nothing is."""
    if not isinstance(value, Decimal):
        return "is no number"
    if not value.is_finite():
        return f"is {value}"
    if value.is_signed() and value:
        return "is negative"
    return None if can_be_sent(value) else "is beyond what any cuff can send"


@lru_cache(maxsize=4096)
def to_number(text: str) -> Decimal:
    """A number as written by a person or a program: digits, at most one point, no exponent. Raises ValueError."""
    if not re.fullmatch(r"[+-]?[0-9]{1,12}(\.[0-9]{0,8})?", text, re.ASCII):
        raise ValueError("is not a number")
    try:
        value = Decimal(text)
    except InvalidOperation:
        raise ValueError("is not a number") from None
    if problem := number_problem(value):
        raise ValueError(problem)
    return value


MOST_TYPED = {"systolic": 400, "diastolic": 300, "pulse": 400}
"""Beyond these no cuff shows a number: a slip of the pen. What is only implausible is taken and marked."""


def typed_number(text: str, name: str, comma: bool = True) -> Decimal:
    """A pressure or pulse as people write it, in a log or a form; a comma may be the point. Raises ValueError."""
    return _measurable(_typed(text, comma), name)


def _typed(text: str, comma: bool = True) -> Decimal:
    return to_number(text.strip().replace(",", ".") if comma else text.strip())


def _measurable(number: Decimal, name: str) -> Decimal:
    if not 1 <= number <= MOST_TYPED[name]:
        raise ValueError(f"lies outside what can be measured (1 to {MOST_TYPED[name]})")
    return number


def typed_pressures(text: str) -> tuple[Decimal, Decimal]:
    """Systolic and diastolic as people type them, '139/88', in mmHg. Raises ValueError: what is wrong with it, to stand
    behind what was typed."""
    upper, _, lower = text.partition("/")
    try:
        typed = _typed(upper), _typed(lower)
    except ValueError:
        raise ValueError("is not a blood pressure; give systolic over diastolic in mmHg, like 139/88") from None
    systolic, diastolic = _measurable(typed[0], "systolic"), _measurable(typed[1], "diastolic")
    if systolic <= diastolic:
        raise ValueError("has systolic not above diastolic; are they the wrong way round?")
    return systolic, diastolic


def day_problem(day: date) -> str | None:
    return None if FIRST_YEAR <= day.year <= LAST_YEAR else f"is not of {FIRST_YEAR} to {LAST_YEAR}"


def time_problem(value: object) -> str | None:
    """What is wrong with an instant: it needs an offset of whole minutes and a year that can be meant."""
    if not isinstance(value, datetime):
        return "is no time"
    offset = value.utcoffset()
    if offset is None:
        return "has no offset"
    if abs(offset) > _FARTHEST:
        return f"has an offset of {offset}, which no clock of the world has"
    if offset.seconds % 60 or offset.microseconds:
        return f"has an offset of {offset}, not of whole minutes (as some zones had before 1972); write it with +00:00"
    if FIRST_YEAR < value.year < LAST_YEAR:
        return None
    try:
        year = value.astimezone(UTC).year
    except OverflowError:
        year = 0
    return None if FIRST_YEAR <= year <= LAST_YEAR else f"is not of {FIRST_YEAR} to {LAST_YEAR}"


def meant_us(instant: datetime) -> int:
    """As the store keeps a time that a person gives. Raises StoreError for one that nobody can mean."""
    if problem := time_problem(instant):
        raise RefusedByStore(f"the time {instant.isoformat()} {problem}")
    return to_us(instant)


def text_problem(value: object) -> str | None:
    if not isinstance(value, str):
        return "is no text"
    if len(value) > LONGEST:
        return f"has more than {LONGEST} characters"
    if "\0" in value or any("\ud800" <= char <= "\udfff" for char in value):
        return "holds a character that is none (NUL, or octets that are no UTF-8)"
    return None


def cuff_problem(address: object) -> str | None:
    """What is wrong with what a cuff is known by."""
    return text_problem(address) or (None if is_name(str(address)) else "is no name to print")


def whole_problem(value: object, most: int) -> str | None:
    if not isinstance(value, int) or isinstance(value, bool):
        return "is no whole number"
    return None if 0 <= value <= most else f"is not of 0 to {most}"


def problem_of(reading: Reading) -> str | None:
    """The first thing that is wrong with a reading from outside, in words; None where it may come in."""
    for name, problem in _problems(reading):
        if problem:
            return f"{name} {problem}"
    return None


def _problems(reading: Reading) -> Iterator[tuple[str, str | None]]:
    for name in ("systolic", "diastolic", "mean", "pulse"):
        value: Any = getattr(reading, name)
        yield name, None if value is None else number_problem(value)
    for name in ("taken_at", "received_at"):
        yield name, time_problem(getattr(reading, name))
    for name, most in (("slot", 255), ("status_raw", 0xFFFF)):
        value = getattr(reading, name)
        yield name, None if value is None else whole_problem(value, most)
    yield "sightings", "is 0" if reading.sightings == 0 else whole_problem(reading.sightings, 1 << 31)
    yield "unit", None if reading.unit in UNITS else f"{str(reading.unit)[:20]!r} is not one of {', '.join(UNITS)}"
    uncertainty: Any = reading.taken_uncertainty_s
    sane = uncertainty is None or (isinstance(uncertainty, float | int) and 0 <= uncertainty < 1e10)
    yield "taken_uncertainty_s", None if sane else "is not a span of time"
    yield "taken_basis", None if isinstance(reading.taken_basis, Basis) else "is unknown"
    yield "features_known", None if isinstance(reading.features_known, bool) else "is neither true nor false"
    for item in fields(Reading):
        value = None if item.name == "payload" else getattr(reading, item.name)
        for text in value if isinstance(value, tuple) else (value,):
            if isinstance(text, str):
                yield item.name, text_problem(text)
    yield "person", None if reading.person is None or is_name(reading.person) else "is no name to print"
    in_hex = _OCTETS.fullmatch(str(reading.payload)) and len(reading.payload) <= LONGEST_PAYLOAD // 2
    yield "payload", None if in_hex else "is not octets in hex, or too long"
    yield "reading_id", None if _ID.fullmatch(str(reading.reading_id)) else "is none that quietcuff gives a reading"
    yield "cuff", cuff_problem(reading.cuff)

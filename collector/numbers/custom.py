"""A protocol from configuration: plain keys and values, as TOML gives them, checked one by one."""

import re
from collections.abc import Callable, Mapping
from dataclasses import fields, replace
from datetime import time
from decimal import Decimal
from difflib import get_close_matches
from typing import Any

from collector.numbers.published import published
from collector.numbers.rules import Handling, Protocol, Window
from collector.numbers.values import Pressures

_FLAGS = (
    "body movement",
    "cuff too loose",
    "irregular pulse",
    "pulse above range",
    "pulse below range",
    "improper position",
)
_HANDLING = {field.name for field in fields(Handling)}


class ProtocolError(ValueError):
    """A protocol cannot be made from what was given; the text names the key and what is allowed."""


def custom(given: Mapping[str, Any]) -> Protocol:
    """A protocol from configuration. `name` and either `based_on` (a published one) or `threshold` are needed.

    Example: {"name": "ward-5", "based_on": "nice-ng136", "drop_days": [], "morning": ["05:00", "11:00"]}.
    Raises ProtocolError.
    """
    name = given.get("name")
    if not isinstance(name, str) or not re.fullmatch(r"[a-z0-9]+(-[a-z0-9]+)*", name):
        raise ProtocolError(f"name is {name!r}; wanted are small letters, digits and single hyphens, say 'ward-5'")
    values: dict[str, Any] = {}
    for key, value in given.items():
        if key not in KEYS:
            close = get_close_matches(key, KEYS, 1)
            hint = f"did you mean '{close[0]}'?" if close else f"allowed: {', '.join(KEYS)}"
            raise ProtocolError(f"protocol {name}: there is no key '{key}'; {hint}")
        try:
            values[key] = KEYS[key](value)
        except (_Wrong, ArithmeticError) as wrong:
            raise ProtocolError(f"protocol {name}: {key} is {value!r}; wanted is {wrong}") from None
    return _made(name, values)


def _made(name: str, values: dict[str, Any]) -> Protocol:
    based_on = values.pop("based_on", None)
    handling = {key: values.pop(key) for key in list(values) if key in _HANDLING}
    if based_on is None:
        if "threshold" not in values:
            raise ProtocolError(f"protocol {name}: wanted is threshold = [systolic, diastolic], or based_on")
        base = Protocol(
            name, f"Own protocol {name}", "own", "this installation's configuration", threshold=values["threshold"]
        )
    else:
        base = replace(
            based_on,
            title=f"Own protocol {name}, after {based_on.name}",
            edition="own",
            source=f"this installation's configuration; the rest as in {based_on.name}: {based_on.source}",
            from_memory=based_on.from_memory - set(values),
            our_choice=based_on.our_choice - set(values),
        )
    try:
        return replace(base, **values, handling=replace(base.handling, **handling))
    except ValueError as wrong:
        raise ProtocolError(str(wrong)) from None


class _Wrong(ValueError):
    """Says what is wanted."""


def _text(value: Any) -> str:
    if isinstance(value, str) and value.strip():
        return value.strip()
    raise _Wrong("text in quotes")


def _truth(value: Any) -> bool:
    if isinstance(value, bool):
        return value
    raise _Wrong("true or false")


def _whole(least: int, most: int) -> Callable[[Any], int]:
    def check(value: Any) -> int:
        if type(value) is int and least <= value <= most:
            return value
        raise _Wrong(f"a whole number from {least} to {most}")

    return check


def _one_of(*allowed: str) -> Callable[[Any], str]:
    def check(value: Any) -> str:
        if value in allowed:
            return str(value)
        raise _Wrong(f"one of {', '.join(allowed)}")

    return check


def _numbers(value: Any) -> tuple[int, ...]:
    if isinstance(value, list | tuple) and all(type(one) is int and one > 0 for one in value):
        return tuple(sorted(set(value)))
    raise _Wrong("a list of day numbers from 1 up, say [1], or []")


def _pressures(value: Any) -> Pressures:
    if isinstance(value, list | tuple) and len(value) == 2 and all(type(one) in (int, float, Decimal) for one in value):
        systolic, diastolic = (Decimal(str(one)) for one in value)
        if 60 <= systolic <= 260 and 30 <= diastolic <= 160 and diastolic < systolic:
            return Pressures(systolic, diastolic)
    raise _Wrong("[systolic, diastolic] in mmHg, say [135, 85]; systolic 60 to 260, diastolic 30 to 160")


def _window(value: Any) -> Window:
    try:
        start, end = (one if isinstance(one, time) else time.fromisoformat(one) for one in value)
    except (TypeError, ValueError):
        start = end = time(0)
    if start == end or start.tzinfo or end.tzinfo:
        raise _Wrong('two clock times, say ["04:00", "12:00"]')
    return Window(start.replace(second=0, microsecond=0), end.replace(second=0, microsecond=0))


def _flags(value: Any) -> frozenset[str]:
    if isinstance(value, list | tuple) and all(one in _FLAGS for one in value):
        return frozenset(value)
    raise _Wrong(f"a list of any of {', '.join(_FLAGS)}")


def _notes(value: Any) -> tuple[str, ...]:
    if isinstance(value, list | tuple) and all(isinstance(one, str) for one in value):
        return tuple(value)
    raise _Wrong("a list of texts in quotes")


def _published(value: Any) -> Protocol:
    known = {one.name: one for one in published()}
    if isinstance(value, str) and value in known:
        return known[value]
    raise _Wrong(f"one of {', '.join(known)}")


KEYS: dict[str, Callable[[Any], Any]] = {
    "name": _text,
    "title": _text,
    "edition": _text,
    "source": _text,
    "based_on": _published,
    "threshold": _pressures,
    "target": _pressures,
    "target_note": _text,
    "second_threshold": _pressures,
    "second_class": _text,
    "min_days": _whole(1, 366),
    "preferred_days": _whole(1, 366),
    "per_session": _whole(1, 10),
    "af_per_session": _whole(1, 10),
    "gap_s": _whole(0, 3600),
    "drop_days": _numbers,
    "drop_first_of_session": _truth,
    "keep_first_if_alone": _truth,
    "both_sessions": _truth,
    "min_readings": _whole(1, 10_000),
    "min_readings_used": _whole(1, 10_000),
    "consecutive_days": _truth,
    "averaging": _one_of("pooled", "sessions", "separate"),
    "when": _text,
    "notes": _notes,
    "morning": _window,
    "evening": _window,
    "outside": _one_of("exclude", "nearest"),
    "sitting_gap_s": _whole(60, 7200),
    "exclude_flags": _flags,
    "extra": _one_of("all", "first", "last"),
    "uncertain_time": _one_of("use", "exclude"),
    "implausible": _one_of("mark", "exclude"),
    "series_gap_days": _whole(0, 365),
}

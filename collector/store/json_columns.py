"""What the columns that hold JSON hold: asked at the door of a merge, by `check`, and whenever one of them is read."""

import json
import re
from collections.abc import Callable, Mapping
from typing import Any

from collector.store.errors import UnreadableError

Fits = Callable[[Any], bool]
_PRESSURE = re.compile(r"[1-9][0-9]{0,2}(\.[0-9]{1,8})?")
MOST_DIGITS = "1 to 999 mmHg, with eight digits behind the point at most"


def _text(said: Any) -> bool:
    return isinstance(said, str)


def _whole(said: Any) -> bool:
    return isinstance(said, int) and not isinstance(said, bool)


def _slot(said: Any) -> bool:
    return _whole(said) and -2 <= said <= 255


def _pressures(said: Any) -> bool:
    """Systolic and diastolic as decimal text, mmHg."""
    return isinstance(said, list) and len(said) == 2 and all(_text(one) and _PRESSURE.fullmatch(one) for one in said)


def _answer(said: Any) -> bool:
    """Microseconds since 1970, and a key."""
    return isinstance(said, list) and len(said) == 2 and _whole(said[0]) and _text(said[1])


def _list_of(shape: Fits) -> Fits:
    return lambda said: isinstance(said, list) and all(map(shape, said))


def _object(said: Any) -> bool:
    return isinstance(said, dict)


SHAPES: Mapping[tuple[str, str], Fits] = {
    ("audit", "detail"): _object,
    ("loan", "checks"): _object,
    ("loan", "slots"): _list_of(_slot),
    ("office_visit", "readings"): _list_of(_pressures),
    ("page_sitting", "answers"): _list_of(_answer),
    ("page_sitting", "claimed"): _list_of(_text),
    ("sitting", "prepared"): _list_of(_text),
    ("sitting", "readings"): _list_of(_text),
}
"""By table and column."""


def from_json(table: str, column: str, text: str | bytes) -> Any:
    """What stands in such a column. Raises UnreadableError."""
    try:
        said = json.loads(text)
    except (ValueError, TypeError, RecursionError):
        raise UnreadableError(f"the store holds JSON that is none ({str(text)[:40]!r})") from None
    if not SHAPES[table, column](said):
        raise UnreadableError(f"the store holds other JSON than {table}.{column} has ({str(text)[:40]!r})")
    return said

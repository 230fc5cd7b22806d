"""How a table's columns are declared: on the field itself, once, with all that writers, readers and documents need.

@dataclass(frozen=True, slots=True)
class Reading:
    pulse: Decimal | None = column("beats a minute", unit="/min")
"""

import errno
from collections.abc import Sequence
from dataclasses import MISSING, dataclass, field, fields
from datetime import date, datetime
from decimal import Decimal
from enum import StrEnum
from functools import lru_cache
from types import NoneType
from typing import Any, TypeVar, get_args, get_origin, get_type_hints
from zoneinfo import ZoneInfo

from collector.store.errors import UnreadableError

_NO_FILE = (errno.ENOENT, errno.EISDIR, errno.ENOTDIR, errno.ENAMETOOLONG)
"""What a name that is no zone's leads to: a folder of the zones' own, say."""

Word = TypeVar("Word", bound=StrEnum)


def word_of(words: type[Word], text: str) -> Word:
    """The one of these that a column holds. Raises UnreadableError."""
    try:
        return words(text)
    except ValueError:
        raise UnreadableError(f"the store holds the word {str(text)[:40]!r}, which nobody uses there") from None


@lru_cache(maxsize=64)
def zone_named(name: str) -> ZoneInfo:
    """The rules of a zone. Raises ValueError where this machine has none of that name; OSError where they cannot be
    read just now, which is no fault of the name."""
    try:
        return ZoneInfo(name)
    except (KeyError, ValueError):
        pass
    except OSError as error:
        if error.errno not in _NO_FILE:
            raise
    raise ValueError(f"this machine knows no time zone {name[:40]!r}")


def day_of(text: str) -> date:
    """The day that a column holds. Raises UnreadableError."""
    try:
        return date.fromisoformat(text)
    except (ValueError, TypeError):
        raise UnreadableError(f"the store holds a day that is none ({str(text)[:40]!r})") from None


class Kind(StrEnum):
    """What a column's values are."""

    TEXT = "text"
    WHOLE = "whole number"
    REAL = "number"
    DECIMAL = "decimal with the digits that were sent"
    FLAG = "true or false"
    INSTANT = "instant"  # an aware datetime
    WALL_TIME = "wall time"  # a datetime without zone
    WORDS = "list of words"  # a tuple of text


@dataclass(frozen=True, slots=True)
class Column:
    """optional: whether there may be no value. choices: all there are, where that is settled.

    meaning: for a person, with its units. source: of a meaning that a standard gives.
    """

    name: str
    kind: Kind
    meaning: str
    optional: bool = False
    unit: str = ""
    source: str = ""
    choices: tuple[str, ...] = ()


def column(meaning: str, *, unit: str = "", source: str = "", default: Any = MISSING) -> Any:
    """A field that is a column; its name, kind and whether it may be None are those of the field."""
    return field(default=default, metadata={"meaning": meaning, "unit": unit, "source": source})


_KINDS: dict[Any, Kind] = {
    str: Kind.TEXT,
    int: Kind.WHOLE,
    float: Kind.REAL,
    bool: Kind.FLAG,
    Decimal: Kind.DECIMAL,
    datetime: Kind.INSTANT,
    tuple: Kind.WORDS,
}


def columns_of(table: Any) -> Sequence[Column]:
    """The columns that a dataclass declares, in their order."""
    hints = get_type_hints(table)
    return tuple(_column(item.name, hints[item.name], item.metadata) for item in fields(table))


def _column(name: str, hint: Any, said: Any) -> Column:
    optional = NoneType in get_args(hint)
    plain = next(one for one in get_args(hint) if one is not NoneType) if optional else hint
    is_choice = isinstance(plain, type) and issubclass(plain, StrEnum)
    return Column(
        name=name,
        kind=Kind.TEXT if is_choice else _KINDS[get_origin(plain) or plain],
        meaning=said["meaning"],
        optional=optional,
        unit=said["unit"],
        source=said["source"],
        choices=tuple(plain) if is_choice else (),
    )

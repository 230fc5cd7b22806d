"""The columns of exports: what a reading declares, what is worked out from it, and how each kind is written and read.

One reading as text, as JSON, as a value of Parquet or PostgreSQL: all from here.
"""

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from datetime import datetime
from decimal import Decimal
from functools import lru_cache, partial
from json.encoder import encode_basestring_ascii
from math import isfinite
from operator import attrgetter
from typing import Any

from collector.share.export.context import mmhg
from collector.share.text.layout import visible
from collector.store.columns import Column, Kind, columns_of
from collector.store.values import Reading

ValueOf = Callable[[Reading], Any]

READING = columns_of(Reading)
FIELDS = tuple(one.name for one in READING)
values_of: Callable[[Reading], tuple[Any, ...]] = attrgetter(*FIELDS)
"""A reading's values in the order of FIELDS."""


def _in_mmhg(reading: Reading, name: str) -> float | None:
    pressure: Decimal | None = getattr(reading, name)
    return None if pressure is None else float(mmhg(pressure, reading.unit))


def _pulse(reading: Reading) -> float | None:
    return None if reading.pulse is None else float(reading.pulse)


def _offset_min(reading: Reading) -> int:
    offset = reading.taken_at.utcoffset()
    assert offset is not None, "a reading's time has its zone"
    return round(offset.total_seconds() / 60)


def _wall_time(reading: Reading) -> datetime:
    return reading.taken_at.replace(tzinfo=None)


TAKEN_LOCAL = Column("taken_local", Kind.WALL_TIME, "wall time where it was taken")
DERIVED: Mapping[Column, ValueOf] = {
    TAKEN_LOCAL: _wall_time,
    Column("taken_offset_min", Kind.WHOLE, "what that wall time is ahead of UTC", unit="min"): _offset_min,
    **{
        Column(f"{name}_mmhg", Kind.REAL, f"{name} to compute with", optional=True, unit="mm[Hg]"): partial(
            _in_mmhg, name=name
        )
        for name in ("systolic", "diastolic", "mean")
    },
    Column("pulse_bpm", Kind.REAL, "pulse to compute with", optional=True, unit="/min"): _pulse,
}
"""Worked out from a reading, for those who compute."""


# -- as text


_RUNS_IN_A_SPREADSHEET = ("=", "+", "-", "@", "'", "\t", "\r", "\n", "\uff1d", "\uff0b", "\uff0d", "\uff20")
"""And the same signs of full width, which some take for them (OWASP, "CSV Injection")."""
_string = encode_basestring_ascii  # what json.dumps does with a string, without its detours


def number(value: Decimal) -> str:
    """The decimal with the digits it has, never in exponent form."""
    text = str(value)
    return format(value, "f") if "E" in text else text


def moment(value: datetime) -> str:
    """ISO 8601 with offset, to the second, as a spreadsheet reads it."""
    return value.isoformat("T", "seconds")


def cell_text(text: str) -> str:
    """Text of a CSV cell, made harmless: no spreadsheet runs it, nothing in it steers a terminal."""
    if text.isprintable() and not text.startswith(_RUNS_IN_A_SPREADSHEET):
        return text
    text = "\n".join(visible(line.replace("\t", " ")) for line in text.splitlines())
    return f"'{text}" if text.startswith(_RUNS_IN_A_SPREADSHEET) else text


@lru_cache(maxsize=4096)
def _cell_words(words: tuple[str, ...]) -> str:
    return cell_text("; ".join(words))


def json_string(text: str) -> str:
    """Pure ASCII, so that no text in it can steer a terminal."""
    return _string(text).replace("\x7f", "\\u007f")


@lru_cache(maxsize=4096)
def _json_words(words: tuple[str, ...]) -> str:
    return "[" + ", ".join(map(json_string, words)) + "]"


def _json_decimal(value: Decimal) -> str:
    return number(value) if value.is_finite() else "null"


def _json_real(value: float) -> str:
    return repr(float(value)) if isfinite(value) else "null"  # JSON has no infinity


def _flag(value: bool) -> str:
    return "true" if value else "false"


# -- read back


def _text_read(value: Any) -> str:
    if not isinstance(value, str):
        raise ValueError(f"{value!r} is no text")
    return value


def _decimal_read(value: Any) -> Decimal:
    if isinstance(value, str | bool):
        raise ValueError(f"{value!r} is no number")
    return Decimal(value)


def _whole_read(value: Any) -> int:
    if not isinstance(value, int) or isinstance(value, bool):
        raise ValueError(f"{value!r} is no whole number")
    return value


def _real_read(value: Any) -> float:
    return float(_decimal_read(value))


def _flag_read(value: Any) -> bool:
    if not isinstance(value, bool):
        raise ValueError(f"{value!r} is neither true nor false")
    return value


def _instant_read(value: Any) -> datetime:
    instant = datetime.fromisoformat(value)
    if instant.tzinfo is None:
        raise ValueError("a time without offset")
    return instant


def _words_read(value: Any) -> tuple[str, ...]:
    if not isinstance(value, list):
        raise ValueError(f"{value!r} is no list")
    return tuple(map(_text_read, value))


@dataclass(frozen=True, slots=True)
class Form:
    """How the values of a kind are written and read; none of them is None.

    cell: in CSV. json: as JSON text. read: from parsed JSON, raises ValueError. schema: JSON Schema. arrow: the type by
    its name in pyarrow. sql: the type in PostgreSQL. plain: the value that pyarrow and psycopg take.
    """

    cell: Callable[[Any], str]
    json: Callable[[Any], str]
    read: Callable[[Any], Any]
    schema: Mapping[str, Any]
    arrow: str
    sql: str
    plain: Callable[[Any], Any] = lambda value: value


FORMS: Mapping[Kind, Form] = {
    Kind.TEXT: Form(
        cell=cell_text,
        json=json_string,
        read=_text_read,
        schema={"type": "string"},
        arrow="string",
        sql="text",
        plain=str,
    ),
    Kind.WHOLE: Form(cell=str, json=str, read=_whole_read, schema={"type": "integer"}, arrow="int32", sql="integer"),
    Kind.REAL: Form(
        cell=str, json=_json_real, read=_real_read, schema={"type": "number"}, arrow="float64", sql="double precision"
    ),
    Kind.DECIMAL: Form(
        cell=number, json=_json_decimal, read=_decimal_read, schema={"type": "number"}, arrow="string", sql="numeric"
    ),
    Kind.FLAG: Form(cell=_flag, json=_flag, read=_flag_read, schema={"type": "boolean"}, arrow="bool_", sql="boolean"),
    Kind.INSTANT: Form(
        cell=moment,
        json=lambda value: f'"{value.isoformat()}"',
        read=_instant_read,
        schema={"type": "string", "format": "date-time"},
        arrow="timestamp[us, UTC]",
        sql="timestamptz",
    ),
    Kind.WALL_TIME: Form(
        cell=lambda value: value.isoformat(" ", "seconds"),
        json=lambda value: f'"{value.isoformat()}"',
        read=datetime.fromisoformat,
        schema={"type": "string"},
        arrow="timestamp[us]",
        sql="timestamp",
    ),
    Kind.WORDS: Form(
        cell=_cell_words,
        json=_json_words,
        read=_words_read,
        schema={"type": "array", "items": {"type": "string"}},
        arrow="list<string>",
        sql="text[]",
        plain=list,
    ),
}

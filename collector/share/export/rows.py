"""Readings as rows for other programs: CSV and NDJSON, one reading a row, streamed; and NDJSON read back.

Numbers keep the precision that the cuff sent: 120 and 120.0 stay apart, and none is ever in exponent form.
Times are ISO 8601 with offset: in CSV to the second, in NDJSON with the microseconds that there are.

CSV is RFC 4180 with lines that end in LF: UTF-8, a heading line, an empty cell where there is no value, lists
joined by '; '. A text cell that begins with = + - @ ' tab or return gets a ' in front, so that no spreadsheet
runs it; whoever reads the file back takes one leading ' off a text cell. Number and time cells stay as is.
"""

import csv
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from datetime import datetime
from decimal import Decimal
from itertools import islice
from typing import Any, TextIO

from collector.share.export.column_forms import FIELDS, FORMS, READING, TAKEN_LOCAL, json_string, values_of
from collector.share.export.context import ExchangeError
from collector.share.export.read_json import DECODER
from collector.store.columns import Column, Kind
from collector.store.values import Basis, Reading

CSV_FIELDS = (*FIELDS, TAKEN_LOCAL.name)
"""The names of a CSV row's cells, in their order; of NDJSON's: FIELDS. New ones are added at the end."""

_TAKEN = FIELDS.index("taken_at")
_AT_ONCE = 500
_OBJECT = "{" + ", ".join(f'"{name}": %s' for name in FIELDS) + "}"


def csv_rows(readings: Sequence[Reading]) -> Iterator[tuple[str, ...]]:
    """The cells of each reading, in the order of CSV_FIELDS."""
    columns = _texts(readings, [FORMS[one.kind].cell for one in READING], "")
    # The wall time is what is written before the offset.
    columns.append([taken[:19].replace("T", " ") for taken in columns[_TAKEN]])
    return zip(*columns, strict=True)


def json_rows(readings: Sequence[Reading]) -> list[str]:
    """Each reading as one JSON object, its members in the order of FIELDS."""
    columns = _texts(readings, [FORMS[one.kind].json for one in READING], "null")
    return [_OBJECT % row for row in zip(*columns, strict=True)]


def _texts(readings: Sequence[Reading], writers: Sequence[Callable[[Any], str]], none: str) -> list[list[str]]:
    """Column by column, which is twice as fast as row by row."""
    columns = zip(*map(values_of, readings), strict=True) if readings else [()] * len(READING)
    return [
        [none if value is None else write(value) for value in column] if one.optional else list(map(write, column))
        for one, write, column in zip(READING, writers, columns, strict=True)
    ]


def batches(readings: Iterable[Reading], size: int = _AT_ONCE) -> Iterator[list[Reading]]:
    """So many at a time, however many there are."""
    source = iter(readings)
    while some := list(islice(source, size)):
        yield some


def write_csv(readings: Iterable[Reading], file: TextIO) -> int:
    """Write the heading and one row a reading; returns how many."""
    writer = csv.writer(file, lineterminator="\n")
    writer.writerow(CSV_FIELDS)
    count = 0
    for some in batches(readings):
        writer.writerows(csv_rows(some))
        count += len(some)
    return count


def write_ndjson(readings: Iterable[Reading], file: TextIO) -> int:
    """Write one JSON object a line; returns how many."""
    count = 0
    for some in batches(readings):
        file.write("\n".join(json_rows(some)) + "\n")
        count += len(some)
    return count


def parse_ndjson(lines: Iterable[str]) -> Iterator[Reading]:
    """One reading a line, as `write_ndjson` writes it. Raises ExchangeError with the number of the line."""
    for number, line in enumerate(lines, 1):
        if not line.strip():
            continue
        try:
            said = DECODER.decode(line)
            if not isinstance(said, dict):
                raise ValueError("no JSON object")
            yield Reading(**{one.name: _value(one, said) for one in READING})
        except (ValueError, KeyError, TypeError, ArithmeticError, AttributeError, RecursionError) as error:
            raise ExchangeError(f"line {number}: not a reading as quietcuff writes it ({str(error)[:100]})") from None


def _value(column: Column, said: dict[str, Any]) -> Any:
    value = said.get(column.name)
    if value is None:
        if not column.optional:
            raise ValueError(f"{column.name} is missing")
        return None
    read = FORMS[column.kind].read(value)
    return Basis(read) if column.choices else read


def json_text(value: object) -> str:
    """JSON of plain values, decimals as they are. Pure ASCII, so that no text in it can steer a terminal."""
    if value is None or isinstance(value, bool):
        return {None: "null", True: "true", False: "false"}[value]
    if isinstance(value, tuple | list):
        return "[" + ", ".join(map(json_text, value)) + "]"
    if isinstance(value, Mapping):
        return "{" + ", ".join([f"{json_string(str(k))}: {json_text(v)}" for k, v in value.items()]) + "}"
    for kind, form in _OF_TYPE:
        if isinstance(value, kind):
            return form.json(value)
    raise TypeError(f"no JSON for {type(value).__name__}")


_OF_TYPE = (
    (str, FORMS[Kind.TEXT]),
    (int, FORMS[Kind.WHOLE]),
    (Decimal, FORMS[Kind.DECIMAL]),
    (datetime, FORMS[Kind.INSTANT]),
    (float, FORMS[Kind.REAL]),
)

"""Readings as rows for other programs: CSV and NDJSON, one reading a row, streamed.

Numbers keep the precision that the cuff sent: 120 and 120.0 stay apart, and none is ever in exponent form.
Times are ISO 8601 with offset: in CSV to the second, in NDJSON with the microseconds that there are.

CSV is RFC 4180 with lines that end in LF: UTF-8, a heading line, an empty cell where there is no value, lists
joined by '; '. A text cell that begins with = + - @ ' tab or return gets a ' in front, so that no spreadsheet
runs it; whoever reads the file back takes one leading ' off a text cell. Number and time cells stay as is.
"""

import json
from collections.abc import Iterable, Iterator, Mapping
from datetime import datetime
from decimal import Decimal
from math import isfinite
from typing import TextIO

from collector.share.text.layout import visible
from collector.store.values import Reading

FIELDS = (
    "reading_id",
    "cuff",
    "slot",
    "person",
    "systolic",
    "diastolic",
    "mean",
    "unit",
    "pulse",
    "taken_at",
    "taken_basis",
    "taken_uncertainty_s",
    "received_at",
    "status",
    "features_known",
    "sightings",
    "payload",
    "assessed",
    "stamp",
    "marks",
    "note",
)
"""The names of a row's cells, in their order. New ones are added at the end."""

TEXT_FIELDS = frozenset({"cuff", "person", "unit", "taken_basis", "status", "assessed", "stamp", "marks", "note"})

_string = json.encoder.encode_basestring_ascii  # what json.dumps does with a string, without its detours

_RUNS_IN_A_SPREADSHEET = ("=", "+", "-", "@", "'", "\t", "\r")


def row(reading: Reading) -> dict[str, object]:
    """The reading's cells by name, in the order of FIELDS."""
    return {name: getattr(reading, name) for name in FIELDS}


def number(value: Decimal) -> str:
    """The decimal with the digits it has, never in exponent form."""
    return format(value, "f")


def moment(value: datetime) -> str:
    """ISO 8601 with offset, to the second, as a spreadsheet reads it."""
    return value.isoformat(timespec="seconds")


def json_text(value: object) -> str:
    """JSON of plain values, decimals as they are. Pure ASCII, so that no text in it can steer a terminal."""
    if isinstance(value, str):
        return _string(value).replace("\x7f", "\\u007f")
    if value is None or isinstance(value, bool):
        return {None: "null", True: "true", False: "false"}[value]
    if isinstance(value, int):
        return str(int(value))
    if isinstance(value, Decimal):
        return number(value) if value.is_finite() else "null"
    if isinstance(value, datetime):
        return f'"{value.isoformat()}"'
    if isinstance(value, float):
        return repr(float(value)) if isfinite(value) else "null"  # JSON has no infinity
    if isinstance(value, tuple | list):
        return "[" + ", ".join(map(json_text, value)) + "]"
    if isinstance(value, Mapping):
        return "{" + ", ".join([f"{_string(str(k))}: {json_text(v)}" for k, v in value.items()]) + "}"
    raise TypeError(f"no JSON for {type(value).__name__}")


def ndjson(readings: Iterable[Reading]) -> Iterator[str]:
    """One JSON object a reading, without the line end."""
    return (json_text(row(reading)) for reading in readings)


def csv_cell(name: str, value: object) -> str:
    """One cell of a CSV row, made harmless if it is text."""
    if value is None:
        return ""
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, Decimal):
        return number(value)
    if isinstance(value, datetime):
        return moment(value)
    text = "; ".join(value) if isinstance(value, tuple) else str(value)
    if name not in TEXT_FIELDS:
        return text
    text = "\n".join(visible(line.replace("\t", " ")) for line in text.splitlines())
    return f"'{text}" if text.startswith(_RUNS_IN_A_SPREADSHEET) else text


def write_csv(readings: Iterable[Reading], file: TextIO) -> int:
    """Write the heading and one row a reading; returns how many."""
    import csv

    writer = csv.writer(file, lineterminator="\n")
    writer.writerow(FIELDS)
    count = 0
    for count, reading in enumerate(readings, 1):  # noqa: B007
        writer.writerow([csv_cell(name, value) for name, value in row(reading).items()])
    return count


def write_ndjson(readings: Iterable[Reading], file: TextIO) -> int:
    """Write one JSON object a line; returns how many."""
    count = 0
    for count, line in enumerate(ndjson(readings), 1):  # noqa: B007
        file.write(line + "\n")
    return count

"""A hand-written log as CSV: its lines to rows for the journal, or to what is wrong with them.

Columns by name, in any order: taken_at, systolic, diastolic, and where there are any pulse, person. Whatever
other columns there are go into the note. Comma, semicolon or tab between cells; a decimal comma where no comma
stands between cells.
"""

import csv
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from datetime import datetime
from decimal import Decimal, InvalidOperation
from io import StringIO
from pathlib import Path

from collector.intake.sources.hand_log import HandRow
from parsers.text import plain

NEEDED = ("taken_at", "systolic", "diastolic")
NOTE_LIMIT = 2000  # characters of one column
KNOWN = (*NEEDED, "pulse", "person", "note")
MOST = {"systolic": 400, "diastolic": 300, "pulse": 400}
"""Beyond these no cuff shows a number: a slip of the pen. What is only implausible is taken and marked."""


class LogError(Exception):
    """The file cannot be used at all; the text is one line for a person: where, what, what to do."""


@dataclass(frozen=True, slots=True)
class BadLine:
    number: int  # in the file, the heading is line 1
    reason: str


def read(
    path: Path, local: Callable[[datetime], datetime], now: datetime, person: str | None = None
) -> Iterator[HandRow | BadLine]:
    """Every line that holds anything, as a row or as what is wrong with it.

    local: makes a wall clock time aware. now: nothing was measured later. person: whose, where the line does
    not say. Raises LogError for a file that cannot be used at all.
    """
    try:
        text = path.read_bytes().decode("utf-8-sig")
    except OSError as error:
        reason = (error.strerror or "").lower()
        raise LogError(f"{path}: cannot be read ({reason}); give the path of a file") from None
    except UnicodeDecodeError as error:
        line = error.object[: error.start].count(b"\n") + 1
        raise LogError(f"{path}, line {line}: not UTF-8; save the file as 'CSV UTF-8'") from None
    heading = text.split("\n", 1)[0]
    separator = max(",;\t", key=heading.count)
    lines = csv.reader(StringIO(text, newline=""), delimiter=separator, strict=True)
    try:
        names = _columns(path, next(lines, []))
        for cells in lines:
            if any(cell.strip() for cell in cells):
                yield _line(lines.line_num, names, cells, local, now, person, separator)
    except csv.Error as error:
        raise LogError(f"{path}, line {lines.line_num}: not CSV ({error}); mend that line") from None


def _columns(path: Path, heading: list[str]) -> list[str]:
    names = [name.strip().lower().replace(" ", "_") for name in heading]
    if {"reading_id", "payload"} <= set(names):
        raise LogError(f"{path}: is an export of quietcuff, not a log; `quietcuff merge` joins stores")
    missing = [name for name in NEEDED if name not in names]
    if missing:
        raise LogError(
            f"{path}, line 1: no column {', '.join(missing)}; the first line names the columns, "
            "such as taken_at,systolic,diastolic,pulse,person"
        )
    double = {name for name in names if name and names.count(name) > 1}
    if double:
        raise LogError(f"{path}, line 1: two columns are called {', '.join(sorted(double))}; rename one")
    return names


def _line(
    number: int,
    names: list[str],
    cells: list[str],
    local: Callable[[datetime], datetime],
    now: datetime,
    person: str | None,
    separator: str,
) -> HandRow | BadLine:
    if len(cells) > len(names) and any(cell.strip() for cell in cells[len(names) :]):
        return BadLine(number, f"{len(cells)} cells, but {len(names)} columns")
    values = {name: cell.strip() for name, cell in zip(names, cells, strict=False) if name}
    try:
        taken_at = _time(values.get("taken_at", ""), local, now)
        systolic, diastolic, pulse = (
            _number(values.get(name, ""), name, separator) for name in ("systolic", "diastolic", "pulse")
        )
    except ValueError as error:
        return BadLine(number, str(error))
    if systolic is None or diastolic is None:
        return BadLine(number, f"{'systolic' if systolic is None else 'diastolic'} is empty")
    notes = [values.get("note", "")] + [
        f"{name}: {text}" for name, text in values.items() if name not in KNOWN and text
    ]
    note = "; ".join(plain(part, NOTE_LIMIT) for part in notes if part)
    return HandRow(
        taken_at=taken_at,
        systolic=systolic,
        diastolic=diastolic,
        pulse=pulse,
        person=values.get("person") or person,
        note=note or None,
    )


def _time(text: str, local: Callable[[datetime], datetime], now: datetime) -> datetime:
    if not text:
        raise ValueError("taken_at is empty")
    try:
        moment = datetime.fromisoformat(text)
    except ValueError:
        raise ValueError(f"taken_at {text!r} is not a time such as 2031-03-04 07:30") from None
    if len(text) <= len("2031-03-04"):
        raise ValueError(f"taken_at {text!r} has no time of day, such as 2031-03-04 07:30")
    try:
        moment = moment if moment.tzinfo else local(moment)
        if moment > now:
            raise ValueError(f"taken_at {text!r} has not come yet")
    except OverflowError:
        raise ValueError(f"taken_at {text!r} is out of the calendar") from None
    return moment


def _number(text: str, name: str, separator: str) -> Decimal | None:
    if not text:
        return None
    try:
        number = Decimal(text if separator == "," else text.replace(",", "."))
    except InvalidOperation:
        number = Decimal("NaN")
    if not number.is_finite() or "e" in text.lower() or "_" in text:
        raise ValueError(f"{name} {text!r} is not a number")
    if not 0 < number <= MOST[name]:
        raise ValueError(f"{name} {text} lies outside what can be measured (1 to {MOST[name]})")
    return number

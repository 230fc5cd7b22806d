"""A hand-written log as CSV: its lines to rows for the journal, or to what is wrong with them.

Columns by name, in any order: taken_at (or date and time), systolic, diastolic, and where there are any pulse, person,
note; usual other names for these are known. Whatever other columns there are go into the note. Comma, semicolon or tab
between cells; a decimal comma where no comma stands between cells.
"""

import csv
import re
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from datetime import datetime
from decimal import Decimal
from enum import StrEnum
from functools import lru_cache
from io import StringIO

from collector.intake.sources.hand_log import HandRow
from collector.store.acceptable import text_problem, time_problem, typed_number
from collector.store.errors import StoreError
from parsers.text import printable

NAMES = {
    "taken_at": ("taken_at", "datetime", "date_time", "date/time", "timestamp", "measured_at", "date_and_time"),
    "date": ("date", "day", "measurement_date"),
    "time": ("time", "time_of_day", "measurement_time"),
    "systolic": ("systolic", "sys", "sbp", "upper", "systolic_pressure", "systolic_mmhg", "sys_mmhg"),
    "diastolic": ("diastolic", "dia", "dbp", "lower", "diastolic_pressure", "diastolic_mmhg", "dia_mmhg"),
    "pulse": ("pulse", "pul", "hr", "bpm", "heart_rate", "heartrate", "pulse_rate", "pulse_bpm", "pulse_/min"),
    "person": ("person", "user", "who", "patient"),
    "note": ("note", "notes", "comment", "comments", "remark", "remarks"),
    "unit": ("unit", "units"),
}
"""Usual column names, lower case, blanks as underscores, without brackets (common practice, no source)."""
_KNOWN = {name: ours for ours, names in NAMES.items() for name in names}
LOST = "-"
"""In both pressures: a measurement that gave no value. It is kept, as a cuff's is."""
_NOTE_LIMIT = 2000  # characters of one column
_SAMPLE = "taken_at,systolic,diastolic,pulse,person"


class DateOrder(StrEnum):
    """Of dates that are not written year first."""

    DMY = "dmy"
    MDY = "mdy"


class LogError(Exception):
    """The file cannot be used at all; the text is one line for a person: where, what, what to do."""


@dataclass(frozen=True, slots=True)
class BadLine:
    """not_yet: by this machine's clock it lies ahead; one that is behind says so of every line."""

    number: int  # in the file, the heading is line 1
    reason: str
    not_yet: bool = False


class _NotYetError(ValueError):
    """A time that has not come."""


@dataclass(frozen=True, slots=True)
class LogReader:
    """How a log is read. local: makes a wall clock time aware. now: nothing was measured later.

    person: whose, where the line does not say. as_written: a systolic below its diastolic is taken as it stands.
    find: raises StoreError for a person who is not there.
    """

    local: Callable[[datetime], datetime]
    now: datetime
    person: str | None = None
    dates: DateOrder | None = None
    as_written: bool = False
    find: Callable[[str], object] = lambda _: None

    def read(self, octets: bytes, name: str) -> Iterator[HandRow | BadLine]:
        """Every line that holds anything, as a row or as what is wrong with it. Raises LogError."""
        try:
            text = octets.decode("utf-8-sig")
        except UnicodeDecodeError as error:
            line = error.object[: error.start].count(b"\n") + 1
            raise LogError(_NOT_UTF8.format(name, line)) from None
        heading = text.split("\n", 1)[0]
        if "\0" in heading:
            raise LogError(_NOT_UTF8.format(name, 1))
        separator = max(",;\t", key=heading.count)
        lines = csv.reader(StringIO(text, newline=""), delimiter=separator, strict=True)
        try:
            columns = _columns(name, next(lines, []))
            others = [column for column in columns if column and column not in NAMES]
            table = _Table(columns, separator, noted=["note", *others])
            for written in lines:
                cells = [cell.strip() for cell in written]
                if any(cells):
                    yield self._line(lines.line_num, table, cells)
        except csv.Error as error:
            raise LogError(f"{name}, line {lines.line_num}: not CSV ({error}); mend that line") from None

    def _line(self, number: int, table: "_Table", cells: list[str]) -> HandRow | BadLine:
        if len(cells) > len(table.columns) and any(cells[len(table.columns) :]):
            return BadLine(number, f"{len(cells)} cells, but {len(table.columns)} columns")
        try:
            row = self._row(table, dict(zip(table.columns, cells, strict=False)))
            if row.person:
                self.find(row.person)
        except (ValueError, StoreError) as error:
            return BadLine(number, str(error), not_yet=isinstance(error, _NotYetError))
        wrong_way_round = row.systolic is not None and row.diastolic is not None and row.systolic < row.diastolic
        if wrong_way_round and not self.as_written:
            return BadLine(
                number,
                f"systolic {row.systolic} is below diastolic {row.diastolic}; typed the wrong way round? Mend the "
                "line, or take it as it stands with --as-written",
            )
        return row

    def _row(self, table: "_Table", values: dict[str, str]) -> HandRow:
        taken_at, says_offset = self._time(values)
        first, second = values.get("systolic", ""), values.get("diastolic", "")
        if lost := first == second == LOST:
            first = second = ""
        systolic = _number(first, "systolic", table.separator)
        diastolic = _number(second, "diastolic", table.separator)
        if (systolic is None or diastolic is None) and not lost:
            raise ValueError(f"{'systolic' if systolic is None else 'diastolic'} is empty")
        pulse = _number(values.get("pulse", ""), "pulse", table.separator)
        if (unit := values.get("unit", "")) and unit.lower().replace(" ", "") != "mmhg":
            raise ValueError(f"unit {unit[:20]!r}: pressures of a log are in mmHg")
        return HandRow(
            taken_at=taken_at,
            systolic=systolic,
            diastolic=diastolic,
            pulse=pulse,
            person=values.get("person") or self.person,
            note=_note(table, values) if table.noted else None,
            says_offset=says_offset,
        )

    def _time(self, values: dict[str, str]) -> tuple[datetime, bool]:
        """When it was taken, and whether the line says its offset."""
        text = values.get("taken_at") or f"{values.get('date', '')} {values.get('time', '')}".strip()
        if not text:
            raise ValueError("taken_at is empty")
        moment = _moment(text, self.dates)
        says_offset = moment.tzinfo is not None
        try:
            here = self.local(moment.replace(tzinfo=None))
            if not says_offset:
                moment = here
            elif text[-1] in "Zz":  # an instant, by no clock on a wall (RFC 9557, section 2.2)
                moment = moment.astimezone(here.tzinfo)
            ahead = moment > self.now
        except (OverflowError, ValueError):
            raise ValueError(f"taken_at {text!r} is out of the calendar") from None
        if ahead:
            raise _NotYetError(f"taken_at {text!r} has not come yet")
        if problem := time_problem(moment):
            raise ValueError(f"taken_at {text!r} {problem}")
        return moment, says_offset


@dataclass(frozen=True, slots=True)
class _Table:
    """columns: their names, ours where they are known, empty where there is none. noted: those that make up the note,
    that of notes first."""

    columns: list[str]
    separator: str
    noted: list[str]


def _note(table: _Table, values: dict[str, str]) -> str | None:
    """Raises ValueError."""
    parts = [(name, text) for name in table.noted if (text := values.get(name))]
    note = "; ".join([printable(text if name == "note" else f"{name}: {text}", _NOTE_LIMIT) for name, text in parts])
    if note and (problem := text_problem(note)):
        raise ValueError(f"note {problem}")
    return note or None


def _columns(file: str, heading: list[str]) -> list[str]:
    written = [_normal(name) for name in heading]
    if {"reading_id", "payload"} <= set(written):
        raise LogError(f"{file}: is an export of quietcuff, not a log; `quietcuff merge` joins stores")
    if kpa := next((name for name in written if "kpa" in name), None):
        raise LogError(f"{file}, line 1: column {kpa} is in kPa; pressures of a log are in mmHg")
    columns = [_KNOWN.get(name, name) for name in written]
    missing = [name for name in ("systolic", "diastolic") if name not in columns]
    if not {"taken_at", "date", "time"} & set(columns):
        missing.insert(0, "taken_at")
    if missing:
        raise LogError(
            f"{file}, line 1: no column {', '.join(missing)}; the first line names the columns, such as {_SAMPLE}"
        )
    double = {name for name in columns if name and columns.count(name) > 1}
    if double:
        raise LogError(f"{file}, line 1: two columns are called {', '.join(sorted(double))}; rename one")
    return columns


def _normal(name: str) -> str:
    return re.sub(r"[()\[\]]", "", name.strip().lower()).strip().replace(" ", "_").replace("-", "_")


_DATE = re.compile(r"(\d{1,4})[./-](\d{1,2})[./-](\d{1,4})(?:[T ,]+(.*))?", re.ASCII)
_CLOCK = re.compile(r"(\d{1,2})[:.](\d{2})(?::(\d{2}))?\s*([ap]\.?m\.?)?", re.ASCII | re.IGNORECASE)


_NOT_UTF8 = "{}, line {}: not UTF-8; save the file as 'CSV UTF-8'"
_TWO_WAYS = "taken_at {} can be read two ways; {}add --dates dmy or --dates mdy"


def _moment(text: str, order: DateOrder | None) -> datetime:
    """A time as people write one: ISO 8601, or a date in another order and a time of day. Raises ValueError."""
    try:
        moment = datetime.fromisoformat(text)
    except ValueError:
        return _written_otherwise(text, order)
    if len(text) <= len("2031-03-04"):
        raise ValueError(f"taken_at {text!r} has no time of day, such as 2031-03-04 07:30")
    return moment


def _written_otherwise(text: str, order: DateOrder | None) -> datetime:
    nonsense = ValueError(f"taken_at {text[:60]!r} is not a time such as 2031-03-04 07:30")
    if (found := _DATE.fullmatch(text)) is None:
        raise nonsense
    if not found[4]:
        raise ValueError(f"taken_at {text!r} has no time of day, such as 2031-03-04 07:30")
    if (clock := _CLOCK.fullmatch(found[4].strip())) is None:
        raise nonsense
    first, second, third = (int(found[number]) for number in (1, 2, 3))
    if len(found[1]) == 4:
        year, month, day = first, second, third
    else:
        short = len(found[3]) != 4
        if short and order is None and second <= 12:  # the year may stand first as well
            raise ValueError(_TWO_WAYS.format(repr(text), "write the year in four digits, or "))
        year = 2000 * short + third
        day, month = _day_and_month(text, first, second, order)
    hour = int(clock[1])
    if half := (clock[4] or "").lower():
        if not 1 <= hour <= 12:
            raise nonsense
        hour = hour % 12 + 12 * half.startswith("p")
    try:
        return datetime(year, month, day, hour, int(clock[2]), int(clock[3] or 0))
    except ValueError:
        raise nonsense from None


def _day_and_month(text: str, first: int, second: int, order: DateOrder | None) -> tuple[int, int]:
    if order is None:
        if first > 12 or first == second:
            order = DateOrder.DMY
        elif second > 12:
            order = DateOrder.MDY
        else:
            raise ValueError(_TWO_WAYS.format(repr(text), ""))
    return (first, second) if order is DateOrder.DMY else (second, first)


@lru_cache(maxsize=4096)
def _number(text: str, name: str, separator: str) -> Decimal | None:
    if not text:
        return None
    try:
        return typed_number(text, name, comma=separator != ",")
    except ValueError as error:
        raise ValueError(f"{name} {text[:40]!r} {error}") from None

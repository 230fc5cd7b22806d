"""Completeness as a grid: days across, sittings down. A cell says how much of what was asked for is there."""

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date

from collector.numbers.values import Cell, GridDay
from collector.share.report.days import MONTHS
from collector.share.report.drawing import Drawing

LABEL = 15.0
ROW = 5.0
HEAD = 3.6
TEXT = 2.4


@dataclass(frozen=True, slots=True)
class _Column:
    title: str
    left_out: bool
    morning: Cell
    evening: Cell


def draw_grid(rows: Sequence[GridDay], width: float) -> Drawing:
    """A column is a day; over 31 days a week, over a year a month, over four years a year. Width in mm."""
    columns = _columns(rows)
    drawing = Drawing(width, HEAD + 2 * ROW + 0.4)
    if not columns:
        drawing.text(0, HEAD, "No day in the period.", TEXT)
        return drawing
    size = min((width - LABEL - 0.4) / len(columns), 12.0)
    every = -(-max(len(column.title) for column in columns) * TEXT * 0.62 // size) or 1
    for number, column in enumerate(columns):
        left = LABEL + number * size
        if number % int(every) == 0 and left + len(column.title) * TEXT * 0.6 <= width + 0.2:
            drawing.text(left + 0.3, HEAD - 1, column.title, TEXT)
        for index, cell in enumerate((column.morning, column.evening)):
            _cell(drawing, left, HEAD + index * ROW, size, cell, column.left_out)
    for index, name in enumerate(("morning", "evening")):
        drawing.text(0, HEAD + index * ROW + ROW * 0.68, name, TEXT)
    return drawing


def _cell(drawing: Drawing, left: float, top: float, size: float, cell: Cell, left_out: bool) -> None:
    """Filled from below by its share; crossed out where the protocol leaves the day out."""
    right, bottom = left + size, top + ROW
    share = min(cell.taken / cell.wanted, 1.0) if cell.wanted else 0.0
    if share:
        drawing.box(left, bottom - share * ROW, right, bottom, grey=0.78)
    drawing.line((left, top), (right, top), (right, bottom), (left, bottom), (left, top), width=0.15)
    if left_out and cell.taken:
        drawing.line((left, bottom), (right, top), width=0.15)
    text = f"{cell.taken}"
    if size >= len(text) * TEXT * 0.62 + 0.6:
        drawing.text(left + size / 2, top + ROW * 0.68, text, TEXT, anchor="middle")


def column_unit(rows: Sequence[GridDay]) -> str:
    """What a column of the grid stands for: 'day', 'week', 'month' or 'year'."""
    for unit, most_days in (("day", 31), ("week", 371), ("month", 1461)):
        if len(rows) <= most_days:
            return unit
    return "year"


def _columns(rows: Sequence[GridDay]) -> list[_Column]:
    unit = column_unit(rows)
    if unit == "day":
        return [
            _Column(_title(row.day, index, rows), row.left_out, row.morning, row.evening)
            for index, row in enumerate(rows)
        ]
    groups: dict[str, list[GridDay]] = {}
    for row in rows:
        groups.setdefault(_group(row.day, unit), []).append(row)
    return [
        _Column(
            _short(found[0].day, unit),
            False,
            _sum([row.morning for row in found]),
            _sum([row.evening for row in found]),
        )
        for found in groups.values()
    ]


def _title(day: date, index: int, rows: Sequence[GridDay]) -> str:
    starts_month = index == 0 or rows[index - 1].day.month != day.month
    return f"{day.day} {MONTHS[day.month - 1]}" if starts_month and len(rows) <= 14 else str(day.day)


def _group(day: date, unit: str) -> str:
    if unit == "week":
        year, week, _ = day.isocalendar()
        return f"{year}-{week}"
    return f"{day.year}-{day.month}" if unit == "month" else str(day.year)


def _short(day: date, unit: str) -> str:
    if unit == "week":
        return f"{day.day} {MONTHS[day.month - 1]}"
    return f"{MONTHS[day.month - 1]} {day.year % 100:02}" if unit == "month" else str(day.year)


def _sum(cells: Sequence[Cell]) -> Cell:
    return Cell(sum(cell.taken for cell in cells), sum(cell.used for cell in cells), sum(cell.wanted for cell in cells))

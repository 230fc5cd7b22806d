"""A trend as a plot in characters, for terminals: systolic above, diastolic below, one scale of time."""

from collections.abc import Callable, Collection, Iterator, Sequence
from dataclasses import dataclass
from datetime import date
from itertools import chain
from textwrap import wrap

from collector.numbers.trend import Trend
from collector.numbers.values import rounded_text

LEAST_WIDTH = 32
LEAST_ROWS = 3
_STEPS = (1, 2, 5, 10, 20, 50, 100)


@dataclass(frozen=True, slots=True)
class _Signs:
    mean: str
    band: str
    threshold: str
    change: str
    corner: str
    side: str
    floor: str


_DRAWN = _Signs(mean="●", band="│", threshold="┄", change="▲", corner="└", side="┤", floor="─")
_ASCII = _Signs(mean="o", band=":", threshold="-", change="^", corner="+", side="|", floor="-")


@dataclass(frozen=True, slots=True)
class _Point:
    column: int
    mean: float
    margin: float  # 0 where the band is not known


def trend_text(
    trend: Trend, width: int = 72, height: int = 20, changes: Collection[date] = (), ascii_only: bool = False
) -> list[str]:
    """Lines of at most `width` columns: moving means with their 95 % bands, the thresholds, and the days of noted
    changes under the axis. width: at least 32; less is taken for 32. height: rows of both plots together.

    One row of each plot stands for the threshold and what is at or above it by less than a step, so that a mean below
    never lies on its line. Of several moving means in one column the last is drawn.
    """
    if not trend.moving:
        return ["No readings to plot."]
    signs = _ASCII if ascii_only else _DRAWN
    width = max(width, LEAST_WIDTH)
    room = width - 5
    first, last = trend.moving[0].day, trend.moving[-1].day

    def column(day: date) -> int:
        return room // 2 if first == last else round((day - first).days / (last - first).days * (room - 1))

    newest = {column(one.day): one for one in trend.moving}
    upper = [_Point(at, one.systolic, one.margin.systolic if one.margin else 0) for at, one in newest.items()]
    lower = [_Point(at, one.diastolic, one.margin.diastolic if one.margin else 0) for at, one in newest.items()]
    rows = max(height // 2, LEAST_ROWS)
    marked = [day for day in changes if first <= day <= last]
    return list(
        chain(
            ["systolic, mmHg"],
            _panel(upper, float(trend.threshold.systolic), rows, room, signs),
            ["diastolic, mmHg"],
            _panel(lower, float(trend.threshold.diastolic), rows, room, signs),
            _axis(first, last, marked, column, room, signs),
            _legend(trend, signs, bool(marked), width),
        )
    )


def _panel(points: Sequence[_Point], threshold: float, rows: int, room: int, signs: _Signs) -> Iterator[str]:
    values = [threshold, *(point.mean for point in points)]
    step = next(
        (step for step in _STEPS if _level(max(values), threshold, step) - _level(min(values), threshold, step) < rows),
        _STEPS[-1],
    )
    top, bottom = (_level(bound(values), threshold, step) for bound in (max, min))
    grid = {level: [signs.threshold if level == 0 else " "] * room for level in range(top, bottom - 1, -1)}
    for point in points:
        if point.margin:
            low, high = (_level(point.mean + way * point.margin, threshold, step) for way in (-1, 1))
            for level in range(max(low, bottom), min(high, top) + 1):
                grid[level][point.column] = signs.band
    for point in points:
        grid[_level(point.mean, threshold, step)][point.column] = signs.mean
    for level, cells in grid.items():
        yield f"{threshold + level * step:3.0f} {signs.side}{''.join(cells)}".rstrip()


def _level(value: float, threshold: float, step: int) -> int:
    """Steps above the threshold, cut down: 0 is at or above it."""
    return int((value - threshold) // step)


def _axis(
    first: date, last: date, marked: Collection[date], column: Callable[[date], int], room: int, signs: _Signs
) -> Iterator[str]:
    cells = [signs.floor] * room
    for day in marked:
        cells[column(day)] = signs.change
    yield f"    {signs.corner}{''.join(cells)}"
    begin, end = first.isoformat(), last.isoformat()
    yield (" " * 5 + (begin.center(room) if first == last else begin + end.rjust(room - len(begin)))).rstrip()


def _legend(trend: Trend, signs: _Signs, changed: bool, width: int) -> Iterator[str]:
    newest = trend.moving[-1]
    parts = [
        f"{signs.mean} mean of {trend.window_days} day{'s' * (trend.window_days != 1)}",
        f"{signs.band} 95 % band",
        f"{signs.threshold} threshold {trend.threshold} mmHg",
    ]
    parts += [f"{signs.change} noted change"] if changed else []
    parts.append(f"last: {rounded_text(newest.systolic)}/{rounded_text(newest.diastolic)} mmHg")
    line = ""
    for part in chain.from_iterable(wrap(part, width) for part in parts):
        if line and len(line) + 3 + len(part) > width:
            yield line
            line = ""
        line = f"{line}   {part}" if line else part
    yield line

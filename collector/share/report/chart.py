"""The plot: every reading, the thresholds, the means of the averaged days or the moving mean, and noted changes."""

import math
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass
from datetime import date, datetime, timedelta
from decimal import Decimal

from collector.numbers.levels import very_high_values
from collector.numbers.trend import MovingMean, Trend
from collector.numbers.values import Sample, rounded_text
from collector.share.report.data import ReportData
from collector.share.report.days import ticks
from collector.share.report.drawing import Area, Dots, Drawing, Point, apart

LEFT, RIGHT, TOP, BOTTOM = 11.0, 27.0, 5.5, 11.0
MANY_DAYS = 45  # from here on single readings are drawn small, with a moving mean
TEXT = 2.5
FLAG = 11.5  # nearer changes share a flag
LINE = 3.0


@dataclass(frozen=True, slots=True)
class _Plane:
    """Maps times and pressures to millimetres."""

    x: Callable[[datetime], float]
    y: Callable[[float], float]
    left: float
    right: float
    top: float
    bottom: float
    lowest: int
    highest: int


def draw_chart(data: ReportData, width: float, height: float) -> Drawing:
    """Width and height in mm. A plot without readings says so."""
    drawing = Drawing(width, height)
    dated = [(one.taken_at.replace(tzinfo=None), one) for one in data.samples if one.systolic and one.diastolic]
    if not dated:
        drawing.box(0, 0, width, height, border=0.2)
        drawing.text(width / 2, height / 2, "No readings to plot", anchor="middle")
        return drawing
    days = [at.date() for at, _ in dated]
    first, last = min(days), max(days)
    plane = _plane(data, dated, first, last, width, height)
    many = (last - first).days >= MANY_DAYS
    _period(drawing, data, plane, first, last)
    _axes(drawing, plane, first, last)
    if many:
        _moving(drawing, data.trend, plane)
    _very_high(drawing, data.very_high, plane)
    _readings(drawing, data, dated, plane, many)
    _beyond(drawing, dated, plane)
    _changes(drawing, data, plane, first, last)
    _right_hand(drawing, data, plane, many)
    _legend(drawing, data, dated, many, bool(data.very_high))
    return drawing


def _plane(
    data: ReportData, dated: Sequence[tuple[datetime, Sample]], first: date, last: date, width: float, height: float
) -> _Plane:
    # Not a slip of the pen, nor what was struck out: one 1360 would press all that counts into a line.
    scaled = [one for _, one in dated if not one.void and not one.odd]
    values = [float(value) for one in scaled for value in (one.systolic, one.diastolic) if value]
    threshold = data.average.threshold
    values += [float(threshold.systolic), float(threshold.diastolic)]
    lowest, highest = int((min(values) - 2) // 10) * 10, -int(-(max(values) + 2) // 10) * 10
    left, right, top, bottom = LEFT, width - RIGHT, TOP, height - BOTTOM
    begin = datetime(first.year, first.month, first.day)
    whole = max((last - first).days + 1, 1) * 86_400

    def x(at: datetime) -> float:
        return left + (at - begin).total_seconds() / whole * (right - left)

    def y(pressure: float) -> float:
        part = (min(max(pressure, lowest), highest) - lowest) / (highest - lowest)
        return bottom - part * (bottom - top)

    return _Plane(x, y, left=left, right=right, top=top, bottom=bottom, lowest=lowest, highest=highest)


def _noon(day: date) -> datetime:
    return datetime(day.year, day.month, day.day, 12)


def _midnight(day: date) -> datetime:
    return datetime(day.year, day.month, day.day)


def _period(drawing: Drawing, data: ReportData, plane: _Plane, first: date, last: date) -> None:
    """The averaged days on light grey, where the plot shows more than them."""
    average = data.average
    if average.first is None or average.last is None or (average.first <= first and average.last >= last):
        return
    begin = plane.x(_midnight(max(average.first, first)))
    end = plane.x(_midnight(min(average.last, last)) + timedelta(1))
    drawing.box(begin, plane.top, max(end, begin + 0.6), plane.bottom, grey=0.9)


def _axes(drawing: Drawing, plane: _Plane, first: date, last: date) -> None:
    room = (plane.bottom - plane.top) / (plane.highest - plane.lowest)
    step = next((step for step in (10, 20, 50) if step * room >= LINE), 100)
    for pressure in range(-(-plane.lowest // step) * step, plane.highest + 1, step):
        at = plane.y(pressure)
        drawing.line((plane.left, at), (plane.right, at), width=0.1, grey=0.75)
        drawing.text(plane.left - 1, at + TEXT * 0.36, str(pressure), TEXT, anchor="end")
    drawing.text(0, plane.top - 2.2, "mmHg", TEXT)
    drawing.line((plane.left, plane.top), (plane.left, plane.bottom), (plane.right, plane.bottom), width=0.2)
    for day, label in ticks(first, last, most=9):
        at = plane.x(_midnight(day))
        drawing.line((at, plane.bottom), (at, plane.bottom + 1), width=0.2)
        shift = at if (last - first).days > 20 else plane.x(_noon(day))
        drawing.text(min(max(shift, plane.left + 5), plane.right - 6), plane.bottom + 3.6, label, TEXT, anchor="middle")


def _moving(drawing: Drawing, trend: Trend, plane: _Plane) -> None:
    """Moving means with their bands, broken where nothing was measured for longer than the window."""
    for run in _runs(trend):
        for pressure in ("systolic", "diastolic"):
            banded = [
                (plane.x(_noon(one.day)), getattr(one, pressure), getattr(one.margin, pressure))
                for one in run
                if one.margin
            ]
            if len(banded) > 1:
                upper = [(x, plane.y(value + margin)) for x, value, margin in banded]
                lower = [(x, plane.y(value - margin)) for x, value, margin in reversed(banded)]
                drawing.shapes.append(Area((*upper, *lower), 0.82))


def _runs(trend: Trend) -> list[list[MovingMean]]:
    """Means that a line may join: a longer silence than the window leaves two means without a day in common."""
    runs: list[list[MovingMean]] = []
    for one in trend.moving:
        if runs and (one.day - runs[-1][-1].day).days <= trend.window_days:
            runs[-1].append(one)
        else:
            runs.append([one])
    return runs


def _readings(
    drawing: Drawing, data: ReportData, dated: Sequence[tuple[datetime, Sample]], plane: _Plane, many: bool
) -> None:
    reasons = dict(data.average.excluded)
    kept = [(at, one) for at, one in dated if one.reading_id not in reasons]
    left_out = [(at, one) for at, one in dated if one.reading_id in reasons]
    radius = 0.33 if many else 0.75
    for pressure, filled in (("systolic", True), ("diastolic", False)):
        points = _points(kept, pressure, plane)
        if many:
            drawing.shapes.append(Dots(points, radius, filled=True, grey=0.0 if filled else 0.5))
        else:
            drawing.shapes.append(Dots(points, radius, filled=filled))
        for x, y in _points(left_out, pressure, plane):
            arm = radius * 0.9
            drawing.line((x - arm, y - arm), (x + arm, y + arm), width=0.22)
            drawing.line((x - arm, y + arm), (x + arm, y - arm), width=0.22)
    if many:
        for run in _runs(data.trend):
            for pressure in ("systolic", "diastolic"):
                path = [(plane.x(_noon(one.day)), plane.y(getattr(one, pressure))) for one in run]
                drawing.line(*path, width=0.9, grey=1.0)
                drawing.line(*path, width=0.4)


def _beyond(drawing: Drawing, dated: Sequence[tuple[datetime, Sample]], plane: _Plane) -> None:
    """The numbers of what lies beyond the scale, at the edge where its mark stands; neighbours share a label."""
    values = [(plane.x(at), value) for at, one in dated for value in (one.systolic, one.diastolic) if value is not None]
    for edge, those in (
        (plane.top + TEXT, [one for one in values if one[1] > plane.highest]),
        (plane.bottom - 0.8, [one for one in values if one[1] < plane.lowest]),
    ):
        begin, texts = 0.0, list[str]()
        for x, value in [*sorted(those, key=lambda one: one[0]), (math.inf, Decimal())]:
            if texts and x - begin > 2 * FLAG:
                toward_left = begin + FLAG > plane.right
                words = ", ".join(texts)
                drawing.text(
                    begin + (-1.2 if toward_left else 1.2), edge, words, TEXT, anchor="end" if toward_left else "start"
                )
                texts = []
            begin = begin if texts else x
            texts.append(f"{value:f}")


def _very_high(drawing: Drawing, high: Sequence[Sample], plane: _Plane) -> None:
    """A ring round each value that is very high; the dots come on top."""
    rings = [
        (plane.x(one.taken_at.replace(tzinfo=None)), plane.y(float(value)))
        for one in high
        for value in very_high_values(one.systolic, one.diastolic)
    ]
    drawing.shapes.append(Dots(tuple(rings), 1.5, filled=False, grey=0.55))


def _points(dated: Iterable[tuple[datetime, Sample]], pressure: str, plane: _Plane) -> tuple[Point, ...]:
    return tuple((plane.x(at), plane.y(float(getattr(one, pressure)))) for at, one in dated)


def _changes(drawing: Drawing, data: ReportData, plane: _Plane, first: date, last: date) -> None:
    """Noted changes as upright lines with the numbers of the notes; neighbours share a flag."""
    flags: list[tuple[float, list[int]]] = []
    for number, note in enumerate(data.notes, 1):
        if first <= note.day <= last:
            at = plane.x(_midnight(note.day))
            drawing.line((at, plane.top), (at, plane.bottom), width=0.25, dash=(0.3, 0.8))
            if flags and at - flags[-1][0] < FLAG:
                flags[-1][1].append(number)
            else:
                flags.append((at, [number]))
    for at, numbers in flags:
        text = str(numbers[0]) if len(numbers) == 1 else f"{numbers[0]}-{numbers[-1]}"
        half = 1.0 + 0.85 * len(text)
        middle = min(max(at, plane.left + half), plane.right - half)
        drawing.box(middle - half, plane.top - 4.4, middle + half, plane.top - 0.6, border=0.2)
        drawing.text(middle, plane.top - 1.6, text, TEXT, anchor="middle", bold=True)


def _right_hand(drawing: Drawing, data: ReportData, plane: _Plane, many: bool) -> None:
    """Thresholds as dashed lines, means of the averaged days as solid ones, named on the right."""
    average = data.average
    named = [
        (float(average.threshold.systolic), f"threshold {average.threshold.systolic}"),
        (float(average.threshold.diastolic), f"threshold {average.threshold.diastolic}"),
    ]
    for pressure, _ in named:
        drawing.line((plane.left, plane.y(pressure)), (plane.right, plane.y(pressure)), width=0.35, dash=(1.6, 0.9))
    if average.pooled and average.first and average.last and average.systolic and average.diastolic:
        begin = max(plane.x(_midnight(average.first)), plane.left)
        end = min(plane.x(_midnight(average.last) + timedelta(1)), plane.right)
        for mean, bound in (
            (average.systolic, average.threshold.systolic),
            (average.diastolic, average.threshold.diastolic),
        ):
            at = plane.y(float(mean))
            if not many:
                drawing.line((begin, at), (end, at), width=0.5)
            named.append((float(mean), f"mean {rounded_text(mean, beside=bound)}"))
    heights = apart([plane.y(pressure) for pressure, _ in named], LINE, plane.top + 1, plane.bottom)
    for (pressure, text), at in zip(named, heights, strict=True):
        drawing.line((plane.right, plane.y(pressure)), (plane.right + 2.5, at), width=0.15, grey=0.4)
        drawing.text(plane.right + 3.2, at + TEXT * 0.36, text, TEXT, bold=text.startswith("mean"))


def _legend(
    drawing: Drawing, data: ReportData, dated: Sequence[tuple[datetime, Sample]], many: bool, high: bool
) -> None:
    """One line under the axis."""
    at = drawing.height - 1.2
    x = LEFT
    reasons = dict(data.average.excluded)

    def dot(filled: bool, grey: float = 0.0) -> None:
        drawing.shapes.append(Dots(((x + 1, at - 0.9),), 0.45 if many else 0.75, filled, grey))

    def word(text: str) -> float:
        drawing.text(x + 2.6, at, text, TEXT)
        return x + 2.6 + len(text) * TEXT * 0.56 + 3.5

    dot(True)
    x = word("systolic")
    dot(many, 0.5 if many else 0.0)
    x = word("diastolic")
    if any(one.reading_id in reasons for _, one in dated):
        drawing.line((x + 0.4, at - 1.5), (x + 1.6, at - 0.3), width=0.22)
        drawing.line((x + 0.4, at - 0.3), (x + 1.6, at - 1.5), width=0.22)
        x = word("not in the average")
    if high:
        drawing.shapes.append(Dots(((x + 1, at - 0.9),), 1.2, filled=False, grey=0.55))
        x = word("VERY HIGH")
    if many:
        drawing.line((x, at - 0.9), (x + 2.2, at - 0.9), width=0.4)
        x = word(f"mean of {data.trend.window_days} days and its 95 % band")
    average = data.average
    days = [at.date() for at, _ in dated]
    if average.first and average.last and (average.first > min(days) or average.last < max(days)):
        drawing.box(x, at - 1.9, x + 2.2, at, grey=0.85, border=0.1)
        x = word("averaged days")
    if any(min(days) <= note.day <= max(days) for note in data.notes):
        drawing.line((x + 1, at - 2), (x + 1, at), width=0.25, dash=(0.3, 0.8))
        word("noted change")

"""Charts as shapes: everything inside the frame, no label over another, and places kept apart."""

from dataclasses import replace
from datetime import date, timedelta
from itertools import combinations, pairwise

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from reportcases import CASES, changed, good_week, long_period, slips_of_the_pen, three_years

from collector.numbers.average import average
from collector.numbers.protocols import protocol
from collector.numbers.values import Cell
from collector.share.report.chart import LEFT, RIGHT, TEXT, draw_chart
from collector.share.report.days import made, span, ticks, written
from collector.share.report.drawing import Area, Dots, Drawing, Label, Line, apart
from collector.share.report.grid import column_unit, draw_grid


def extent(shape: Line | Area | Dots | Label) -> tuple[float, float, float, float]:
    if isinstance(shape, Label):
        width = len(shape.text) * shape.size * (0.62 if shape.bold else 0.56)
        left = shape.x - {"start": 0, "middle": width / 2, "end": width}[shape.anchor]
        return left, shape.y - shape.size * 0.75, left + width, shape.y + shape.size * 0.05
    xs, ys = [x for x, _ in shape.points], [y for _, y in shape.points]
    return min(xs), min(ys), max(xs), max(ys)


def drawings(name: str) -> list[Drawing]:
    data = CASES[name]()
    return [draw_chart(data, width, height) for width, height in ((186, 46), (186, 92), (192, 60))] + [
        draw_grid(data.average.grid, 186)
    ]


@pytest.mark.parametrize("name", list(CASES))
def test_every_shape_lies_within_its_drawing(name: str) -> None:
    for drawing in drawings(name):
        for shape in drawing.shapes:
            if not isinstance(shape, Label) and not shape.points:
                continue
            left, top, right, bottom = extent(shape)
            assert left >= -0.3, shape
            assert top >= -0.3, shape
            assert right <= drawing.width + 0.3, shape
            assert bottom <= drawing.height + 0.3, shape


@pytest.mark.parametrize("name", list(CASES))
def test_no_label_lies_on_another(name: str) -> None:
    for drawing in drawings(name):
        labels = [shape for shape in drawing.shapes if isinstance(shape, Label)]
        for one, other in combinations(labels, 2):
            first, second = extent(one), extent(other)
            across = min(first[2], second[2]) - max(first[0], second[0])
            down = min(first[3], second[3]) - max(first[1], second[1])
            assert across <= 0 or down <= 0, (one.text, other.text)


def test_what_is_drawn_is_what_was_measured() -> None:
    """Read off the plot by its own axis: dots filled for systolic and hollow for diastolic, thresholds and means each
    at the height that is written beside them, the means over the averaged days."""
    data = good_week()
    average = data.average
    shapes = draw_chart(data, 186, 70).shapes
    labels = [shape for shape in shapes if isinstance(shape, Label)]
    scale = [(one.y, int(one.text)) for one in labels if one.text.isdigit() and one.anchor == "end"]
    (low, least), (high, most) = scale[0], scale[-1]

    def pressure(y: float) -> float:
        """At a height, as the eye reads it: an axis label's middle is at its line."""
        return least + (y + (TEXT * 0.36) - low) / (high - low) * (most - least)

    dots = {shape.filled: shape.points for shape in shapes if isinstance(shape, Dots) and len(shape.points) > 1}
    used = [one for one in data.samples if one.reading_id in average.used_ids]
    assert [pressure(y) for _, y in dots[True]] == pytest.approx([float(one.systolic or 0) for one in used])
    assert [pressure(y) for _, y in dots[False]] == pytest.approx([float(one.diastolic or 0) for one in used])
    assert [x for x, _ in dots[True]] == [x for x, _ in dots[False]] == sorted(x for x, _ in dots[True])

    lines = [shape for shape in shapes if isinstance(shape, Line)]
    right = max(line.points[1][0] for line in lines if line.dash == (1.6, 0.9))
    led = {}
    for line in lines:
        (x, at), (_, end) = line.points[0], line.points[-1]
        if x == right and line.width == 0.15:
            (label,) = (one for one in labels if one.x > right and one.y == pytest.approx(end + TEXT * 0.36))
            led[label.text] = pressure(at)
    assert led == {
        "threshold 135": pytest.approx(135),
        "threshold 85": pytest.approx(85),
        "mean 140.6": pytest.approx(float(average.systolic or 0)),
        "mean 85.7": pytest.approx(float(average.diastolic or 0)),
    }
    means = [line.points for line in lines if line.width == 0.5]
    assert [pressure(points[0][1]) for points in means] == pytest.approx([140.65, 85.74], abs=0.1)
    assert [(begin[0], end[0]) for begin, end in means] == [(LEFT, pytest.approx(186 - RIGHT))] * 2


def test_readings_left_out_are_crosses_and_others_dots() -> None:
    data = good_week()
    shapes = draw_chart(data, 186, 70).shapes
    dots = [shape for shape in shapes if isinstance(shape, Dots) and len(shape.points) > 1]
    assert [(len(shape.points), shape.filled) for shape in dots] == [(23, True), (23, False)]
    crosses = [shape.points for shape in shapes if isinstance(shape, Line) and shape.width == 0.22]
    for one, other in zip(crosses[::2], crosses[1::2], strict=True):
        (left, top), (right, bottom) = one
        assert other == ((left, bottom), (right, top))
        assert left < right
        assert top < bottom


def test_what_cannot_be_right_does_not_set_the_scale() -> None:
    """It stands at the edge with its number, and the readings that count keep the height of the plot."""
    shapes = draw_chart(slips_of_the_pen(), 186, 46).shapes
    labels = [shape for shape in shapes if isinstance(shape, Label)]
    scale = [int(label.text) for label in labels if label.text.isdigit() and label.anchor == "end"]
    usual = [shape for shape in draw_chart(good_week(), 186, 46).shapes if isinstance(shape, Label)]
    assert max(scale) <= max(int(label.text) for label in usual if label.text.isdigit() and label.anchor == "end") + 10
    assert min(scale) >= 60
    beyond = [label for label in labels if label.text in ("1360, 262", "13, 8")]
    assert len(beyond) == 2
    places = [sum(x for x, _ in one.points) / 2 for one in shapes if isinstance(one, Line) and one.width == 0.22]
    for label in beyond:
        assert label.anchor == "start"
        assert any(abs(place + 1.2 - label.x) < 0.01 for place in places), "beside its mark"


def test_a_day_is_crossed_out_where_it_is_left_out_and_something_was_taken() -> None:
    data = good_week()
    rows = data.average.grid
    crossed = sum((row.morning.taken > 0) + (row.evening.taken > 0) for row in rows if row.left_out)
    assert crossed, "the rule leaves its first day out"
    assert _slanted(draw_grid(rows, 186)) == crossed
    empty = [replace(row, left_out=True, morning=Cell(0, 0, 2), evening=Cell(0, 0, 2)) for row in rows]
    assert _slanted(draw_grid(empty, 186)) == 0


def test_mornings_stand_beside_their_name_and_evenings_below() -> None:
    (row,) = good_week().average.grid[1:2]
    drawing = draw_grid([replace(row, morning=Cell(2, 2, 2), evening=Cell(1, 1, 2))], 186)
    at = {shape.text: shape.y for shape in drawing.shapes if isinstance(shape, Label)}
    assert (at["2"], at["1"]) == (at["morning"], at["evening"])
    assert at["morning"] < at["evening"]


def _slanted(drawing: Drawing) -> int:
    lines = [shape.points for shape in drawing.shapes if isinstance(shape, Line)]
    return sum(len(line) == 2 and line[0][0] != line[1][0] and line[0][1] != line[1][1] for line in lines)


def test_many_days_get_a_moving_mean_and_small_dots() -> None:
    shapes = draw_chart(three_years(), 186, 70).shapes
    assert any(isinstance(shape, Area) and shape.grey == 0.82 for shape in shapes)
    assert max(len(shape.points) for shape in shapes if isinstance(shape, Dots)) > 3000


def test_the_averaged_days_are_shaded_where_more_is_shown() -> None:
    shapes = draw_chart(changed(), 186, 70).shapes
    texts = [shape.text for shape in shapes if isinstance(shape, Label)]
    assert any(isinstance(shape, Area) and shape.grey == 0.9 for shape in shapes)
    assert not any(isinstance(shape, Area) and shape.grey == 0.9 for shape in draw_chart(good_week(), 186, 70).shapes)
    assert "averaged days" in texts
    assert "noted change" in texts
    assert "averaged days" not in [
        shape.text for shape in draw_chart(good_week(), 186, 70).shapes if isinstance(shape, Label)
    ]


@settings(deadline=None)
@given(st.lists(st.floats(0, 100), max_size=8), st.floats(0.5, 4))
def test_places_are_kept_apart_in_their_order(wanted: list[float], gap: float) -> None:
    found = apart(wanted, gap, 0, 100)
    order = sorted(range(len(wanted)), key=lambda index: wanted[index])
    for before, after in pairwise(order):
        assert found[after] - found[before] >= gap - 1e-9
    assert all(-1e-9 <= place <= 100 + 1e-9 for place in found)


@settings(deadline=None)
@given(st.dates(date(2000, 1, 1), date(2060, 1, 1)), st.integers(0, 6000))
def test_an_axis_never_has_more_labels_than_fit(first: date, days: int) -> None:
    last = first + timedelta(days)
    found = ticks(first, last, 9)
    assert len(found) <= 9
    assert all(first <= day <= last for day, _ in found)
    assert found or 14 < days < 62


def test_dates_in_words() -> None:
    assert written(date(2026, 3, 2)) == "2 Mar 2026"
    assert span(date(2026, 3, 2), date(2026, 3, 8)) == "2 to 8 Mar 2026"
    assert span(date(2026, 3, 2), date(2026, 4, 1)) == "2 Mar to 1 Apr 2026"
    assert span(date(2025, 12, 30), date(2026, 1, 5)) == "30 Dec 2025 to 5 Jan 2026"
    assert span(date(2026, 3, 2), date(2026, 3, 2)) == "2 Mar 2026"
    assert span(None, None) == "no readings"
    assert made(good_week().made_at) == "10 Mar 2026, 08:00"


def test_the_grid_widens_its_columns_with_the_period() -> None:
    data = long_period()
    assert column_unit(data.average.grid) == "month"
    week = good_week()
    assert column_unit(week.average.grid) == "day"
    half_a_year = average(three_years().samples, protocol("esh-2023"), first=date(2026, 3, 2), last=date(2026, 9, 1))
    assert column_unit(half_a_year.grid) == "week"
    texts = [shape.text for shape in draw_grid(week.average.grid, 186).shapes if isinstance(shape, Label)]
    assert texts.count("2") == 14

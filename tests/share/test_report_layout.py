"""Where things stand on the printed page: in its box, beside its number, under its rule."""

from dataclasses import replace
from datetime import date, timedelta
from io import BytesIO

import pypdfium2
import pytest
from homeseries import DAY_ONE, sample
from pypdfium2 import raw
from reportcases import changed, good_week, nothing, report, slips_of_the_pen, three_readings, three_years

from collector.numbers.trend import MovingMean
from collector.share.report import chart, fit
from collector.share.report.chart import LEFT, RIGHT, draw_chart
from collector.share.report.content import Section
from collector.share.report.drawing import Label, Line
from collector.share.report.fonts import family
from collector.share.report.paper import Sheet
from collector.share.report.pdf import render_pdf
from collector.share.report.style import STYLE

MM = 72 / 25.4
Box = tuple[float, float, float, float]
"""Left, top, right, bottom in mm from the page's upper left corner."""


def drawn(data: bytes) -> tuple[list[tuple[Box, str]], list[Box]]:
    """(each run of text, each path)."""
    page = pypdfium2.PdfDocument(data)[0]
    height = page.get_height()

    def box(left: float, bottom: float, right: float, top: float) -> Box:
        return left / MM, (height - top) / MM, right / MM, (height - bottom) / MM

    words = page.get_textpage()
    rects = [words.get_rect(index) for index in range(words.count_rects())]
    paths = [one.get_bounds() for one in page.get_objects(filter=(raw.FPDF_PAGEOBJ_PATH,))]
    return [(box(*one), words.get_text_bounded(*one).strip()) for one in rects], [box(*one) for one in paths]


BLANK = Sheet(210, 297, 12, 8, lines=4, family=family(""))


def sheet(target: BytesIO) -> Sheet:
    return BLANK.on(target, "a page of nobody's")


def test_of_a_name_without_end_no_more_is_measured_than_a_sheet_holds(monkeypatch: pytest.MonkeyPatch) -> None:
    """Seen: a cuff's name of a megabyte, put there by SQL, and the report never came."""
    measured, real = 0, Sheet._measure

    def measure(page: Sheet, text: str, size: float, bold: bool) -> float:
        nonlocal measured
        measured += len(text)
        return real(page, text, size, bold)

    monkeypatch.setattr(Sheet, "_measure", measure)
    lines = BLANK.wrapped("m" * 1_000_000, 60, 8, False, 4)
    assert len(lines) == 4
    assert lines[-1].endswith("m…")
    assert measured < 2_000_000


@pytest.mark.parametrize("words", [3, 17, 60])
def test_a_box_holds_its_text(words: int) -> None:
    target = BytesIO()
    page = sheet(target)
    below = page.boxed("measured " * words, 30, 70, 40)
    page.finish()
    texts, boxes = drawn(target.getvalue())
    (left, top, right, bottom) = max(boxes, key=lambda one: one[2] - one[0])
    assert (left, top, right) == pytest.approx((30, 40, 100), abs=0.5)
    assert texts
    for (x, y, x2, y2), _ in texts:
        assert left + 0.8 <= x
        assert x2 <= right - 0.8
        assert top + 0.5 <= y
        assert y2 <= bottom - 0.5
    assert below >= bottom, "what comes next stands under it"


def test_a_heading_is_underlined_and_nothing_touches_its_line() -> None:
    target = BytesIO()
    page = sheet(target)
    page.paragraph("Ågypq", 30, 70, page.heading("Ågypq", 30, 70, 40), bold=True)
    page.finish()
    ((above, _), (under, _)), ((left, top, right, bottom),) = drawn(target.getvalue())
    assert (left, right) == pytest.approx((30, 100), abs=0.2)
    assert above[3] < top
    assert bottom + 0.2 < under[1]


def test_a_heading_takes_one_line_however_long_it_is() -> None:
    target = BytesIO()
    page = sheet(target)
    page.heading("measured " * 40, 30, 70, 40)
    page.finish()
    ((_, words),), _ = drawn(target.getvalue())
    assert words.endswith("…")


def test_a_word_that_no_line_holds_is_cut_where_the_line_ends() -> None:
    letter = BLANK._measure("W", 8, False)
    for width, pieces in ((0.5, ["W"] * 5), (1.5, ["W"] * 5), (2.5, ["WW", "WW", "W"]), (3.5, ["WWW", "WW"])):
        assert BLANK.wrapped("WWWWW", width * letter, 8, False, 9) == pieces


def test_a_number_has_its_unit_beside_it_on_one_line() -> None:
    target = BytesIO()
    page = sheet(target)
    below = page.number("138.5/88.1", "mmHg", 30, 40, 25.6)
    page.finish()
    ((number, _), (unit, _)), _ = drawn(target.getvalue())
    assert 1 < unit[0] - number[2] < 3
    assert number[1] < unit[1] < number[3] <= below
    assert number[1] >= 40
    assert below - 40 < page._leading(25.6), "no higher than a line of its size"


def test_the_head_has_the_name_large_the_date_aside_and_a_thick_rule_below() -> None:
    texts, paths = drawn(render_pdf(good_week()))
    found = {text: box for box, text in texts}
    name, made = found["mira"], next(box for text, box in found.items() if text.startswith("made "))
    verdict = next(box for text, box in found.items() if "the threshold of" in text)
    period = next(box for box, text in texts if text == "2 to 8 Mar 2026")
    assert name[3] - name[1] > 1.4 * (period[3] - period[1])
    assert made[2] == pytest.approx(period[2], abs=0.3) == pytest.approx(210 - 12, abs=0.3)
    assert period[3] <= made[1] + 0.1
    thick = [one for one in paths if one[2] - one[0] > 180 and 0.4 < one[3] - one[1] < 1.2]
    rule = min(thick, key=lambda one: one[1])
    assert max(name[3], made[3]) < rule[1] < rule[3] < verdict[1]


# --- the plot -----------------------------------------------------------------------------------------------------


def labels(data: object, width: float = 186, height: float = 60) -> list[Label]:
    return [one for one in draw_chart(data, width, height).shapes if isinstance(one, Label)]  # type: ignore[arg-type]


def test_the_scale_leaves_room_below_and_above_the_readings() -> None:
    """A reading of a whole ten does not lie on the frame."""
    data = report([sample(DAY_ONE + timedelta(hours=hour), 150, 60) for hour in range(3)])
    scale = [int(one.text) for one in labels(data) if one.text.isdigit() and one.anchor == "end"]
    assert (min(scale), max(scale)) == (50, 160)


def test_a_day_takes_the_whole_width() -> None:
    """From six in the morning to six in the evening is half of it, about its middle."""
    data = report([sample(DAY_ONE.replace(hour=hour), 140, 90) for hour in (6, 18)])
    crosses = [one for one in draw_chart(data, 186, 60).shapes if isinstance(one, Line) and one.width == 0.22]
    early, late = sorted({sum(x for x, _ in one.points) / 2 for one in crosses if one.points[0][1] < 49})
    assert (early + late) / 2 == pytest.approx((LEFT + 186 - RIGHT) / 2)
    assert late - early == pytest.approx((186 - RIGHT - LEFT) / 2)


def test_what_is_beyond_the_scale_has_its_number_inside_the_frame() -> None:
    (frame,) = [
        one for one in draw_chart(slips_of_the_pen(), 186, 60).shapes if isinstance(one, Line) and len(one.points) == 3
    ]
    (_, top), (_, bottom), _ = frame.points
    beyond = [one for one in labels(slips_of_the_pen()) if one.text in ("1360, 262", "13, 8")]
    assert len(beyond) == 2
    for one in beyond:
        assert top <= one.y - 0.75 * one.size
        assert one.y <= bottom


@pytest.mark.parametrize("data", [three_readings, good_week, changed, three_years])
def test_days_stand_under_the_plot(data: object) -> None:
    drawing = draw_chart(data(), 186, 60)  # type: ignore[operator]
    days = [
        one for one in drawing.shapes if isinstance(one, Label) and one.anchor == "middle" and one.text[-1].isalnum()
    ]
    days = [one for one in days if one.y > 60 - chart.BOTTOM]
    assert days
    for one in days:
        assert one.x - len(one.text) * one.size * 0.28 >= LEFT - 0.5
        assert one.x + len(one.text) * one.size * 0.28 <= 186 - RIGHT + 1


def test_what_was_left_out_is_a_cross_in_the_legend_too() -> None:
    shapes = draw_chart(good_week(), 186, 60).shapes
    at = next(n for n, one in enumerate(shapes) if isinstance(one, Label) and one.text == "not in the average")
    strokes = [one.points for one in shapes[at - 2 : at] if isinstance(one, Line)]
    word = shapes[at]
    assert isinstance(word, Label)
    assert len(strokes) == 2
    assert {y for line in strokes for _, y in line} == {word.y - 1.5, word.y - 0.3}
    assert all(x < word.x for line in strokes for x, _ in line)


@pytest.mark.parametrize(("days", "runs"), [(7, 1), (8, 2)])
def test_a_line_joins_no_two_means_that_have_no_day_in_common(days: int, runs: int) -> None:
    """Else a fall that came at once, between two weeks, looks as if it had gone on all the time between them."""
    begin = date(2026, 3, 2)
    means = tuple(MovingMean(day, 7, 140.0, 90.0, None) for day in (begin, begin + timedelta(days)))
    assert len(chart._runs(replace(good_week().trend, moving=means, window_days=7))) == runs


# --- how high the printed HTML is reckoned ---------------------------------------------------------------------------


def test_the_reckoned_height_of_a_section_follows_its_longest_cell() -> None:
    line = 8 * fit.MM * fit.LEADING
    room = fit.COLUMN * 0.65 - 1.5
    assert "th[scope=row] { width: 35% }" in STYLE
    letters = int(room / (0.6 * 8 * fit.MM))  # as many as one line holds

    def rows(label: str, value: str) -> float:
        return fit._section(Section("Rule", rows=((label, value),)), 8)

    assert rows("a", "b" * letters) == pytest.approx(line * 1.08 + 2 + line)
    assert rows("a", "b" * (letters + 1)) == pytest.approx(line * 1.08 + 2 + 2 * line)
    assert rows("a" * letters, "b") == pytest.approx(line * 1.08 + 2 + 2 * line)


def test_small_print_is_reckoned_as_small_as_it_is_printed() -> None:
    page = fit.content(good_week(), 8, None)
    more = replace(page, rule=page.rule + "m" * 400)
    assert ".rule { font-size: .82em }" in STYLE
    small = 8 * 0.82

    def lines(text: str) -> int:
        return -(-round(len(text) * 0.6 * small * fit.MM * 1000) // round(fit.WIDTH * 1000))

    added = (lines(more.rule) - lines(page.rule)) * small * fit.MM * fit.LEADING
    assert fit.height(more, 8) - fit.height(page, 8) == pytest.approx(added)


def test_a_page_without_text_is_as_high_as_its_headings_and_the_grid() -> None:
    nobody = replace(fit.content(nothing(), 8, None), who="", verdict="", completeness="", counts="", rule="", alarm="")
    page = replace(nobody, numbers=(), sure=(), caution=(), left=(), right=(), means=Section(""))
    line = 8 * fit.MM * fit.LEADING
    name, headings = 8 * 1.8 * fit.MM * 1.15, 3 * (line * 1.08 + 2)
    assert fit.height(page, 8) == pytest.approx(line + name + headings + fit.GRID + 8)

"""The report as a PDF of one page, with ReportLab (BSD), which is imported only here.

The plot takes the height that the text leaves. Should the text need more than a page, type gets smaller and lists
shorter, step by step, until all fits.
"""

from io import BytesIO
from typing import TYPE_CHECKING

from collector.share.report.chart import draw_chart
from collector.share.report.content import MOST_NOTES, ReportText, Section, content
from collector.share.report.data import ReportData
from collector.share.report.grid import draw_grid

if TYPE_CHECKING:
    from collector.share.report.paper import Sheet

PAPERS = {"A4": (210.0, 297.0), "Letter": (215.9, 279.4)}
"""Width and height, mm."""

MARGIN = 12.0
GUTTER = 8.0
LEAST_PLOT, MOST_PLOT = 46.0, 92.0
_TRIES = ((8.0, MOST_NOTES, 4), (7.4, MOST_NOTES, 4), (7.4, 4, 3), (6.8, 4, 3), (6.8, 2, 2), (6.2, 2, 2), (6.2, 1, 1))
"""Size of the type in points, how many notes, how many lines a cell may take."""


class ReportError(Exception):
    """No PDF can be made; the text says why and what to do."""


def render_pdf(data: ReportData, paper: str = "A4") -> bytes:
    """One page. The same data give the same bytes. Raises ReportError for a paper not in PAPERS or without
    ReportLab."""
    if paper not in PAPERS:
        raise ReportError(f"no paper '{paper}'; there is {' and '.join(PAPERS)}")
    try:
        from collector.share.report.fonts import family
        from collector.share.report.paper import Sheet
    except ImportError:
        raise ReportError(
            "a PDF needs the extra 'report': pip install 'quietcuff[report]'; the HTML report needs nothing"
        ) from None
    width, height = PAPERS[paper]
    for size, notes, lines in _TRIES:
        page = content(data, notes)
        sheet = Sheet(width, height, MARGIN, size, lines=lines, family=family(repr(page)))
        plot = height - 2 * MARGIN - _draw(sheet, data, page, 0)
        if plot >= LEAST_PLOT:
            break
    target = BytesIO()
    sheet = sheet.on(target, f"{page.title}: {page.who}, {page.period}")
    _draw(sheet, data, page, min(max(plot, LEAST_PLOT), MOST_PLOT))
    sheet.finish()
    return target.getvalue()


def _draw(sheet: "Sheet", data: ReportData, page: ReportText, plot: float) -> float:
    """Draw everything, from the top; the height it took in mm."""
    left, right = sheet.margin, sheet.width - sheet.margin
    half = (right - left - GUTTER) / 2
    y = _header(sheet, page, left, right, sheet.margin)
    stand = sheet.boxed if page.short else sheet.paragraph
    y = stand(page.verdict, left, right - left, y, size=sheet.size * 1.25, bold=True) + 0.5
    y = max(_numbers(sheet, page, left, half, y), sheet.section(page.means, left + half + GUTTER, half, y + 0.5))
    y = sheet.heading("Every reading", left, right - left, y + 1)
    sheet.drawing(draw_chart(data, right - left, plot) if plot else None, left, y + 1)
    y = sheet.heading("Completeness", left, right - left, y + 1 + plot + 1)
    y = sheet.paragraph(page.completeness, left, right - left, y)
    grid = draw_grid(data.average.grid, right - left)
    sheet.drawing(grid, left, y + 0.5)
    y += 0.5 + grid.height + 0.5
    y = max(_column(sheet, page.left, left, half, y), _column(sheet, page.right, left + half + GUTTER, half, y))
    return _footer(sheet, page, left, right, y + 1.5) - sheet.margin


def _header(sheet: "Sheet", page: ReportText, left: float, right: float, y: float) -> float:
    aside = 62.0
    sheet.paragraph(page.period, right - aside, aside, y, anchor="end", lines=1)
    sheet.paragraph(f"made {page.made}", right - aside, aside, y + sheet.leading, anchor="end", lines=2)
    below = sheet.paragraph(page.title, left, right - left - aside - 4, y, lines=1)
    room = right - left - aside - 4
    size = sheet.fitting(page.who, room, [sheet.size * by for by in (1.8, 1.4, 1.1, 0.9)], 2)
    below = sheet.paragraph(page.who, left, room, below, size=size, bold=True, lines=6)  # a name is never cut short
    below = max(below, y + 2.9 * sheet.leading)
    sheet.rule(left, right, below + 0.5, 0.5)
    return below + 1.5


def _numbers(sheet: "Sheet", page: ReportText, left: float, width: float, y: float) -> float:
    """The number, which is small where too few readings make it, then how sure it is."""
    large = 1.6 if page.short else 3.2 if len(page.numbers) == 1 else 2.4
    for label, value in page.numbers:
        y = sheet.paragraph(label, left, width, y)
        y = sheet.number(value, "mmHg", left, y, sheet.size * large)
    if page.alarm:
        y = sheet.boxed(page.alarm, left, width, y + 0.5)
    for text in page.sure:
        y = sheet.paragraph(text, left, width, y)
    return sheet.paragraph(page.counts, left, width, y)


def _column(sheet: "Sheet", sections: tuple[Section, ...], left: float, width: float, y: float) -> float:
    for section in sections:
        y = sheet.section(section, left, width, y + 1)
    return y


def _footer(sheet: "Sheet", page: ReportText, left: float, right: float, y: float) -> float:
    sheet.rule(left, right, y, 0.3)
    y += 0.8
    for text in page.caution:
        y = sheet.paragraph(text, left, right - left, y, bold=True)
    return sheet.paragraph(page.rule, left, right - left, y + 0.3, size=sheet.size * 0.8, lines=7)

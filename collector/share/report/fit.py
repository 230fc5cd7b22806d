"""How large the type of the printed HTML report may be so that all of it stands on one page.

A page without a script cannot measure itself, so its height is reckoned, on the high side: wide letters, the smaller of
both papers' heights, the narrower of their widths.
"""

from collections.abc import Iterable
from math import ceil
from unicodedata import east_asian_width

from collector.share.report.content import ReportText, Section, content
from collector.share.report.data import ReportData

WIDTH, HEIGHT = 186.0, 255.0  # mm inside the margins of A4's width and Letter's height
COLUMN = (WIDTH - 8) / 2
LABEL = 0.35  # of a column
MM = 0.3528  # a point
LEADING = 1.24
GRID = 15.0
SIZES = (7.8, 7.3, 6.8, 6.4, 6.0, 5.6, 5.2)
PLOTS = (70.0, 58.0, 50.0, 42.0)
SHORTENED = ((8, None), (4, 90), (2, 60), (1, 40))
"""Noted changes listed, and to how many letters remarks are cut, in the order in which they are tried."""


def fitted(data: ReportData) -> tuple[ReportText, float, float]:
    """(the text, the size of print in points, the height of the plot in mm). Type shrinks before text is cut."""
    for notes, clip in SHORTENED:
        page = content(data, notes, clip)
        for size, plot in ((size, plot) for size in SIZES for plot in PLOTS):
            if height(page, size) + plot <= HEIGHT:
                return page, size, plot
    return page, SIZES[-1], PLOTS[-1]


def height(page: ReportText, size: float) -> float:
    """Of everything but the plot, mm, at this size of type in points."""
    line = size * MM * LEADING
    who = _lines(page.who, WIDTH * 0.55, size * 1.8, 0.72) * size * 1.8 * MM * 1.15
    made = 1 + _lines(f"made {page.made}", WIDTH * 0.4, size)
    numbers = sum(line + size * 2.7 * MM * 1.1 for _ in page.numbers)
    texts = [*page.sure, page.counts, *([page.alarm] if page.alarm else [])]
    left = numbers + _paragraphs(texts, COLUMN, size) + 3
    footer = _paragraphs(page.caution, WIDTH, size, 0.72) + _paragraphs([page.rule], WIDTH, size * 0.82)
    return (
        max(line + who, made * line)
        + _paragraphs([page.verdict], WIDTH, size * 1.15, 0.72)
        + max(left, _section(page.means, size))
        + 2 * (line * 1.08 + 2)
        + _paragraphs([page.completeness], WIDTH, size)
        + GRID
        + max(sum(_section(one, size) for one in column) for column in (page.left, page.right))
        + footer
        + 8
    )


def _section(section: Section, size: float) -> float:
    line = size * MM * LEADING
    rows = sum(
        max(_lines(label, COLUMN * LABEL - 1.5, size), _lines(value, COLUMN * (1 - LABEL) - 1.5, size))
        for label, value in section.rows
    )
    return line * 1.08 + 2 + (rows + len(section.table)) * line + _paragraphs(section.paragraphs, COLUMN, size)


def _paragraphs(texts: Iterable[str], width: float, size: float, letter: float = 0.6) -> float:
    return sum(_lines(text, width, size, letter) * size * MM * LEADING + 1 for text in texts if text)


def _lines(text: str, width: float, size: float, letter: float = 0.6) -> int:
    """letter: the width of one, in sizes of the type; wide ones of East Asia take a whole one."""
    wide = sum(1.0 if east_asian_width(one) in "WF" else letter for one in text)
    return max(1, ceil(wide * size * MM / width))

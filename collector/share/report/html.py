"""The report as one HTML file: no script, nothing from outside, prints on one sheet of A4 or Letter."""

from collections.abc import Iterable
from html import escape

from collector.share.report.chart import draw_chart
from collector.share.report.content import ReportText, Section
from collector.share.report.data import ReportData
from collector.share.report.drawing import Area, Dots, Drawing, Label, Line
from collector.share.report.fit import WIDTH, fitted
from collector.share.report.grid import draw_grid
from collector.share.report.style import STYLE


def render_html(data: ReportData) -> str:
    """A whole HTML document, UTF-8."""
    page, size, plot = fitted(data)
    chart = svg(draw_chart(data, WIDTH, plot), f"Every reading, {page.period}, with thresholds and means in mmHg")
    grid = svg(draw_grid(data.average.grid, WIDTH), page.completeness)
    caution = "".join(f'<p class="caution">{escape(text)}</p>' for text in page.caution)
    lines = (
        "<!DOCTYPE html>",
        '<html lang="en">',
        "<head>",
        '<meta charset="utf-8">',
        '<meta name="viewport" content="width=device-width">',
        "<meta http-equiv=\"Content-Security-Policy\" content=\"default-src 'none'; style-src 'unsafe-inline'\">",
        f"<title>{escape(f'{page.title}: {page.who}, {page.period}')}</title>",
        f"<style>{STYLE}</style>",
        "</head>",
        f'<body class="print{size * 10:.0f}">',
        f'<header><div><h1>{escape(page.title)}</h1><div class="who">{escape(page.who)}</div></div>',
        f'<div class="when"><div>{escape(page.period)}</div><div>made {escape(page.made)}</div></div></header>',
        "<main>",
        _head(page),
        "<h2>Every reading</h2>",
        chart,
        "<h2>Completeness</h2>",
        f"<p>{escape(page.completeness)}</p>",
        grid,
        f'<div class="columns"><div>{_sections(page.left)}</div><div>{_sections(page.right)}</div></div>',
        "</main>",
        f'<footer>{caution}<p class="rule">{escape(page.rule)}</p></footer>',
        "</body>",
        "</html>",
        "",
    )
    return "\n".join(lines)


def _head(page: ReportText) -> str:
    """The verdict, the number, how sure; a number of too few readings is small."""
    size = "number small" if page.short else "number"
    numbers = "".join(
        f'<div>{escape(label)}</div><div class="{size}">{escape(value)} <small>mmHg</small></div>'
        for label, value in page.numbers
    )
    alarm = f'<p class="short">{escape(page.alarm)}</p>' if page.alarm else ""
    sure = "".join(f"<p>{escape(text)}</p>" for text in page.sure)
    return (
        f'<p class="verdict{" short" if page.short else ""}">{escape(page.verdict)}</p>'
        f'<div class="head"><div>{numbers}{alarm}{sure}<p>{escape(page.counts)}</p></div>'
        f"<div>{_sections([page.means])}</div></div>"
    )


def _sections(sections: Iterable[Section]) -> str:
    return "".join(
        f"<section><h2>{escape(one.title)}</h2>{_table(one)}{_rows(one)}{_paragraphs(one)}</section>"
        for one in sections
    )


def _rows(section: Section) -> str:
    lines = "".join(
        f'<tr><th scope="row">{escape(label)}</th><td>{escape(value)}</td></tr>' for label, value in section.rows
    )
    return f"<table>{lines}</table>" if lines else ""


def _table(section: Section) -> str:
    if not section.table:
        return ""
    heading, *lines = section.table
    head = "".join(f'<th scope="col">{escape(cell)}</th>' for cell in heading)
    body = "".join(
        f'<tr><th scope="row">{escape(line[0])}</th>'
        + "".join(f"<td>{escape(cell)}</td>" for cell in line[1:])
        + "</tr>"
        for line in lines
    )
    return f'<table class="compare"><tr>{head}</tr>{body}</table>'


def _paragraphs(section: Section) -> str:
    return "".join(f"<p>{escape(text)}</p>" for text in section.paragraphs if text)


def svg(drawing: Drawing, description: str) -> str:
    """A drawing as SVG, one unit a millimetre."""
    shapes = "".join(map(_shape, drawing.shapes))
    box = f"0 0 {_n(drawing.width)} {_n(drawing.height)}"
    return (
        f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="{box}" role="img" '
        f'font-family="inherit"><title>{escape(description)}</title>{shapes}</svg>'
    )


def _shape(shape: Line | Area | Dots | Label) -> str:
    if isinstance(shape, Line):
        dash = f' stroke-dasharray="{" ".join(map(_n, shape.dash))}"' if shape.dash else ""
        return (
            f'<polyline points="{_points(shape.points)}" fill="none" stroke="{_grey(shape.grey)}" '
            f'stroke-width="{_n(shape.width)}"{dash}/>'
        )
    if isinstance(shape, Area):
        border = f' stroke="#000" stroke-width="{_n(shape.border)}"' if shape.border else ""
        return f'<polygon points="{_points(shape.points)}" fill="{_grey(shape.grey)}"{border}/>'
    if isinstance(shape, Label):
        bold = ' font-weight="bold"' if shape.bold else ""
        return (
            f'<text x="{_n(shape.x)}" y="{_n(shape.y)}" font-size="{_n(shape.size)}" text-anchor="{shape.anchor}" '
            f'fill="{_grey(0)}"{bold}>{escape(shape.text)}</text>'
        )
    return _dots(shape)


def _dots(shape: Dots) -> str:
    """Many dots are one path of strokes without length and with round ends: a fifth of the bytes of circles."""
    if not shape.points:
        return ""
    path = "".join(f"M{_n(x)} {_n(y)}h0" for x, y in shape.points)
    outer = _strokes(path, _grey(shape.grey), 2 * shape.radius)
    return outer if shape.filled else outer + _strokes(path, "#fff", shape.radius)


def _strokes(path: str, colour: str, width: float) -> str:
    return f'<path d="{path}" stroke="{colour}" stroke-width="{_n(width)}" stroke-linecap="round"/>'


def _points(points: Iterable[tuple[float, float]]) -> str:
    return " ".join(f"{_n(x)},{_n(y)}" for x, y in points)


def _grey(grey: float) -> str:
    return "#" + f"{round(grey * 255):02x}" * 3


def _n(value: float) -> str:
    return f"{value:.2f}".rstrip("0").rstrip(".")

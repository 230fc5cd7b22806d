"""A sheet of paper to write on: millimetres from the upper left corner, text that wraps, and drawings.

A blank sheet draws nothing and only tells how much room things take.
"""

from collections.abc import Iterable
from dataclasses import dataclass, replace
from typing import BinaryIO

from reportlab.lib.units import mm
from reportlab.pdfgen.canvas import Canvas

from collector.share.report.content import Section
from collector.share.report.drawing import Anchor, Area, Dots, Drawing, Label, Line
from collector.share.report.fonts import Family

_LABEL_SHARE = 0.35
_LETTERS = 400
"""More than stand on a line of a sheet, however small they are."""


@dataclass(slots=True)
class Sheet:
    """size: of ordinary type, points. lines: how many a cell of a table may take."""

    width: float
    height: float
    margin: float
    size: float
    lines: int
    family: Family
    canvas: Canvas | None = None

    @property
    def leading(self) -> float:
        """Of ordinary type, mm."""
        return self._leading(self.size)

    def on(self, target: BinaryIO, title: str) -> "Sheet":
        """The same, to be written on."""
        canvas = Canvas(target, pagesize=(self.width * mm, self.height * mm), invariant=1, lang="en")
        canvas.setTitle(title)
        canvas.setCreator("quietcuff")
        return replace(self, canvas=canvas)

    def finish(self) -> None:
        if self.canvas:
            self.canvas.showPage()
            self.canvas.save()

    def fitting(self, text: str, width: float, sizes: Iterable[float], lines: int) -> float:
        """The first of the sizes at which bold text takes no more than so many lines; else the last."""
        found = self.size
        for found in sizes:
            if len(self.wrapped(text, width, found, True, 99)) <= lines:
                break
        return found

    # --- text -----------------------------------------------------------------------------------------------------

    def paragraph(
        self,
        text: str,
        left: float,
        width: float,
        y: float,
        *,
        size: float = 0,
        bold: bool = False,
        anchor: Anchor = "start",
        lines: int = 12,
    ) -> float:
        """Wrapped text from y down; where it ends."""
        size = size or self.size
        x = left + width if anchor == "end" else left
        for line in self.wrapped(text, width, size, bold, lines):
            y += self._leading(size)
            self._write(x, y - 0.28 * self._leading(size), line, size, bold, anchor)
        return y

    def number(self, value: str, unit: str, left: float, y: float, size: float) -> float:
        """A big number with its unit beside it."""
        below = y + self._leading(size) * 0.95
        self._write(left, below - 0.22 * self._leading(size), value, size, True)
        beside = left + self._measure(value, size, True) + 1.5
        self._write(beside, below - 0.22 * self._leading(size), unit, self.size * 1.1, False)
        return below

    def boxed(self, text: str, left: float, width: float, y: float, *, size: float = 0, bold: bool = True) -> float:
        below = self.paragraph(text, left + 1.2, width - 2.4, y + 0.6, size=size, bold=bold) + 0.8
        if self.canvas:
            self.canvas.setLineWidth(0.4 * mm)
            self.canvas.rect(left * mm, (self.height - below) * mm, width * mm, (below - y) * mm)
        return below + 0.5

    def heading(self, text: str, left: float, width: float, y: float) -> float:
        below = self.paragraph(text, left, width, y, size=self.size * 1.08, bold=True, lines=1)
        self.rule(left, left + width, below + 0.1, 0.15)
        return below + 0.5

    def section(self, section: Section, left: float, width: float, y: float) -> float:
        """Heading, table, rows and paragraphs."""
        y = self.heading(section.title, left, width, y)
        if section.table:
            y = self._table(section.table, left, width, y)
        for label, value in section.rows:
            aside = width * _LABEL_SHARE
            ends = [
                self.paragraph(label, left, aside - 1, y, lines=self.lines),
                self.paragraph(value, left + aside, width - aside, y, lines=self.lines),
            ]
            y = max(ends)
        for text in section.paragraphs:
            y = self.paragraph(text, left, width, y)
        return y

    def _table(self, table: Iterable[tuple[str, ...]], left: float, width: float, y: float) -> float:
        shares = (0.17, 0.15, 0.15, 0.21, 0.32)
        for number, cells in enumerate(table):
            at = left
            for index, (cell, share) in enumerate(zip(cells, shares, strict=True)):
                anchor: Anchor = "start" if index == 0 else "end"
                self.paragraph(cell, at, width * share, y, anchor=anchor, bold=number > 0 and index == 3, lines=1)
                at += width * share
            y += self.leading
        return y

    def wrapped(self, text: str, width: float, size: float, bold: bool, lines: int) -> list[str]:
        """Lines no wider than `width` mm; words that are wider are cut, and what is over `lines` ends in '…'."""
        found: list[str] = []
        line = ""
        for word in self._pieces(text, width, size, bold):
            joined = f"{line} {word}".strip()
            if line and self._measure(joined, size, bold) > width:
                found.append(line)
                line = word
                if len(found) > lines:  # enough to know that it is too much
                    break
            else:
                line = joined
        found += [line] if line else []
        if len(found) <= lines:
            return found
        last = found[lines - 1]
        while last and self._measure(last + "…", size, bold) > width:
            last = last[:-1]
        return [*found[: lines - 1], last.rstrip(" ,;.") + "…"]

    def _pieces(self, text: str, width: float, size: float, bold: bool) -> Iterable[str]:
        for word in text.split():
            while self._measure(head := word[:_LETTERS], size, bold) > width and len(word) > 1:
                cut = next((n for n in range(len(head), 1, -1) if self._measure(head[:n], size, bold) <= width), 1)
                yield word[:cut]
                word = word[cut:]
            yield word

    def _leading(self, size: float) -> float:
        return size * 1.27 / mm

    def _measure(self, text: str, size: float, bold: bool) -> float:
        return self.family.width(text, size, bold) / mm

    def _write(self, x: float, y: float, text: str, size: float, bold: bool, anchor: Anchor = "start") -> None:
        if self.canvas is None:
            return
        self.canvas.setFillGray(0.0)
        share = {"start": 0.0, "middle": 0.5, "end": 1.0}[anchor]
        at = x * mm - share * self.family.width(text, size, bold)
        for font, part in self.family.runs(text, bold):
            self.canvas.setFont(font, size)
            self.canvas.drawString(at, (self.height - y) * mm, part)
            at += self.canvas.stringWidth(part, font, size)

    # --- lines and drawings -----------------------------------------------------------------------------------------

    def rule(self, left: float, right: float, y: float, width: float) -> None:
        if self.canvas:
            self._ink(0, width, ())
            self.canvas.line(left * mm, (self.height - y) * mm, right * mm, (self.height - y) * mm)

    def drawing(self, drawing: Drawing | None, left: float, top: float) -> None:
        """A drawing with its upper left corner at (left, top)."""
        if self.canvas is None or drawing is None:
            return
        for shape in drawing.shapes:
            if isinstance(shape, Label):
                self._write(left + shape.x, top + shape.y, shape.text, shape.size * mm, shape.bold, shape.anchor)
            elif isinstance(shape, Dots):
                self._dots(shape, left, top)
            else:
                self._path(shape, left, top)

    def _dots(self, shape: Dots, left: float, top: float) -> None:
        """One path of strokes without length and with round ends: years of readings as circles would take seconds."""
        if self.canvas is None or not shape.points:
            return
        path = self.canvas.beginPath()
        for x, y in shape.points:
            at = ((left + x) * mm, (self.height - top - y) * mm)
            path.moveTo(*at)
            path.lineTo(*at)
        self.canvas.setLineCap(1)
        self._ink(shape.grey, 2 * shape.radius, ())
        self.canvas.drawPath(path, stroke=1, fill=0)
        if not shape.filled:
            self._ink(1, shape.radius, ())
            self.canvas.drawPath(path, stroke=1, fill=0)
        self.canvas.setLineCap(0)

    def _path(self, shape: Line | Area, left: float, top: float) -> None:
        assert self.canvas is not None
        path = self.canvas.beginPath()
        for number, (x, y) in enumerate(shape.points):
            (path.lineTo if number else path.moveTo)((left + x) * mm, (self.height - top - y) * mm)
        if isinstance(shape, Line):
            self._ink(shape.grey, shape.width, shape.dash)
            self.canvas.drawPath(path, stroke=1, fill=0)
            return
        path.close()
        self._ink(0, shape.border, ())
        self.canvas.setFillGray(shape.grey)
        self.canvas.drawPath(path, stroke=shape.border > 0, fill=1)

    def _ink(self, grey: float, width: float, dash: tuple[float, ...]) -> None:
        assert self.canvas is not None
        self.canvas.setStrokeGray(grey)
        self.canvas.setLineWidth(width * mm)
        self.canvas.setDash([part * mm for part in dash])

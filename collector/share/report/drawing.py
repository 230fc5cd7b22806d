"""What charts are made of: a few shapes in millimetres from the upper left corner, drawn alike in SVG and in PDF.

Grey runs from 0 (black) to 1 (white). Nothing relies on colour.
"""

from collections.abc import Sequence
from dataclasses import dataclass, field
from typing import Literal

Anchor = Literal["start", "middle", "end"]
Point = tuple[float, float]


@dataclass(frozen=True, slots=True)
class Line:
    points: tuple[Point, ...]
    width: float
    grey: float = 0.0
    dash: tuple[float, ...] = ()


@dataclass(frozen=True, slots=True)
class Area:
    """A filled polygon; border 0: none."""

    points: tuple[Point, ...]
    grey: float
    border: float = 0.0


@dataclass(frozen=True, slots=True)
class Dots:
    """Circles of one kind: filled, or white with a rim."""

    points: tuple[Point, ...]
    radius: float
    filled: bool
    grey: float = 0.0


@dataclass(frozen=True, slots=True)
class Label:
    """Text; y is its baseline, size its height in mm."""

    x: float
    y: float
    text: str
    size: float
    anchor: Anchor = "start"
    bold: bool = False


Shape = Line | Area | Dots | Label


@dataclass(frozen=True, slots=True)
class Drawing:
    width: float
    height: float
    shapes: list[Shape] = field(default_factory=list)

    def line(self, *points: Point, width: float = 0.2, grey: float = 0.0, dash: Sequence[float] = ()) -> None:
        if len(points) > 1:
            self.shapes.append(Line(points, width, grey, tuple(dash)))

    def box(
        self, left: float, top: float, right: float, bottom: float, *, grey: float = 1.0, border: float = 0.0
    ) -> None:
        corners = ((left, top), (right, top), (right, bottom), (left, bottom))
        self.shapes.append(Area(corners, grey, border))

    def text(
        self, x: float, y: float, text: str, size: float = 2.6, *, anchor: Anchor = "start", bold: bool = False
    ) -> None:
        self.shapes.append(Label(x, y, text, size, anchor=anchor, bold=bold))


def apart(wanted: Sequence[float], gap: float, low: float, high: float) -> list[float]:
    """Places as near to those wanted as can be, each `gap` from the next, all from low to high, in the order wanted."""
    order = sorted(range(len(wanted)), key=lambda index: wanted[index])
    placed: list[float] = []
    for index in order:
        placed.append(max(wanted[index], placed[-1] + gap if placed else low))
    ceiling = high
    for position in reversed(range(len(placed))):
        placed[position] = min(placed[position], ceiling)
        ceiling = placed[position] - gap
    found = [0.0] * len(wanted)
    for index, place in zip(order, placed, strict=True):
        found[index] = place
    return found

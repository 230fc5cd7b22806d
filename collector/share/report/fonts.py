"""Fonts of the PDF, embedded in it: one family for the page, and for letters it lacks another for each script.

Vera comes with ReportLab (Bitstream Vera licence). The others are used where the machine has them: DejaVu (the same
licence), Noto (SIL Open Font License 1.1; Debian's fonts-noto-core), Droid Sans Fallback for Chinese, Japanese and
Korean (Apache License 2.0; fonts-droid-fallback). All four may be embedded. Letters are set one by one, words that run
from the right from there; scripts that join their letters are joined in the HTML report alone, by the browser.
"""

import re
from collections.abc import Iterator
from functools import cache
from itertools import groupby
from pathlib import Path
from typing import Any
from unicodedata import name

from reportlab.pdfbase import pdfmetrics
from reportlab.pdfbase.ttfonts import TTFError, TTFont

_SYSTEM = Path("/usr/share/fonts/truetype")
_FAMILIES = (
    (Path("Vera.ttf"), Path("VeraBd.ttf")),
    (_SYSTEM / "dejavu/DejaVuSans.ttf", _SYSTEM / "dejavu/DejaVuSans-Bold.ttf"),
    (_SYSTEM / "noto/NotoSans-Regular.ttf", _SYSTEM / "noto/NotoSans-Bold.ttf"),
)
_EAST_ASIA = _SYSTEM / "droid/DroidSansFallbackFull.ttf"


_RIGHT = "[\\u0590-\\u08ff\\ufb1d-\\ufdff\\ufe70-\\ufeff]+"
_FROM_THE_RIGHT = re.compile(f"{_RIGHT}(?: +{_RIGHT})*")
"""Words of the scripts that run from the right (Unicode blocks Hebrew to Arabic Extended-A, presentation forms)."""


class Family:
    """A regular and a bold face, with others to fall back on."""

    def __init__(self, regular: str, bold: str) -> None:
        self._faces = {False: regular, True: bold}

    def runs(self, text: str, bold: bool) -> Iterator[tuple[str, str]]:
        """(font, letters that it has), in the order of the text; what no font here has becomes a question mark."""
        face = self._faces[bold]

        def font_of(char: str) -> str:
            return face if ord(char) in glyphs(face) else _other(char, bold) or face

        for font, letters in groupby(_FROM_THE_RIGHT.sub(lambda found: found[0][::-1], text), font_of):
            known = glyphs(font)
            yield font, "".join(char if ord(char) in known else "?" for char in letters)

    def width(self, text: str, size: float, bold: bool) -> float:
        """In points."""
        return sum(float(pdfmetrics.stringWidth(part, font, size)) for font, part in self.runs(text, bold))


def family(texts: str) -> Family:
    """The first family that has most of the text's letters."""
    wanted = {ord(char) for char in texts if not char.isspace()} | {ord("…")}
    found = [pair for pair in ((_registered(a), _registered(b)) for a, b in _FAMILIES) if all(pair)]
    regular, bold = max(found, key=lambda pair: len(wanted & glyphs(pair[0] or "") & glyphs(pair[1] or "")))
    return Family(regular or "", bold or "")


@cache
def glyphs(font: str) -> frozenset[int]:
    found: Any = pdfmetrics.getFont(font)
    return frozenset(found.face.charToGlyph)


@cache
def _other(char: str, bold: bool) -> str | None:
    """A font that has this letter, by the name of its script."""
    script = name(char, "").replace("-", " ").split(" ")[0].capitalize()
    noto = [
        _SYSTEM / f"noto/NotoSans{script}-{weight}.ttf" for weight in (("Bold", "Regular") if bold else ("Regular",))
    ]
    faces = [_FAMILIES[1][bold], _FAMILIES[2][bold], *noto, _EAST_ASIA]
    found = (_registered(path) for path in faces)
    return next((font for font in found if font and ord(char) in glyphs(font)), None)


@cache
def _registered(path: Path) -> str | None:
    try:
        pdfmetrics.registerFont(TTFont(path.stem, str(path)))
    except (TTFError, OSError):
        return None
    return path.stem

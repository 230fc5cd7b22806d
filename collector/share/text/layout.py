"""Plain text that stays in its place: harmless characters, terminal columns, wrapping, aligned tables."""

import re
from collections.abc import Iterable, Iterator
from unicodedata import category, east_asian_width

GAP = "  "
LEAST_WIDTH = 8


def visible(text: str) -> str:
    """The text on one line with everything that could steer a terminal made harmless.

    Control, format and private characters (Unicode categories Cc, Cf, Co, Cs, Zl, Zp) become U+FFFD, so that
    no name or note from outside can move a cursor, colour a screen or turn the writing direction.
    """
    if text.isprintable():
        return text
    return "".join(map(_harmless, text))


def _harmless(char: str) -> str:
    if char.isprintable():
        return char
    return " " if category(char) == "Zs" else "\N{REPLACEMENT CHARACTER}"


def natural(text: str) -> list[tuple[bool, int, str]]:
    """By what to sort names as people do: clinic-2 before clinic-10, letter case aside."""
    parts = re.findall(r"[0-9]{1,18}|[^0-9]+|[0-9]+", text.casefold())
    return [(not part.isdigit(), int(part) if part.isdigit() else 0, part) for part in parts]


def cells(text: str) -> int:
    """How many columns of a terminal the text takes (Unicode Annex 11; combining marks take none)."""
    if text.isascii():
        return len(text)
    return sum(0 if category(char) in ("Mn", "Me") else 2 if east_asian_width(char) in "WF" else 1 for char in text)


def wrapped(text: str, width: int) -> list[str]:
    """The text in lines of at most `width` columns, broken at spaces, inside a word only if it must be."""
    lines: list[str] = []
    line = ""
    for word in text.split():
        *full, rest = _pieces(word, width)
        if full:
            lines += [line, *full] if line else full
            line = ""
        joined = f"{line} {rest}".strip()
        if line and cells(joined) > width:
            lines.append(line)
            line = rest
        else:
            line = joined
    return [*lines, line] if line else lines


def _pieces(word: str, width: int) -> list[str]:
    """In pieces of at most `width` columns; each letter is looked at once, however long the word is."""
    if cells(word) <= width:
        return [word]
    found, begun, taken = [], 0, 0
    for number, char in enumerate(word):
        taken += cells(char)
        if taken > width and number > begun:
            found.append(word[begun:number])
            begun, taken = number, cells(char)
    return [*found, word[begun:]]


def columns(
    rows: Iterable[tuple[str, ...]],
    width: int | None,
    heading: tuple[str, ...] = (),
    right: frozenset[int] = frozenset(),
) -> Iterator[str]:
    """Lines of aligned columns; the last one wraps within `width`. right: which columns lean to the right.

    Whatever stands in a cell is made harmless.
    """
    table = [tuple(map(visible, row)) for row in ([heading, *rows] if heading else rows)]
    widths = [max(map(cells, column)) for column in zip(*table, strict=True)]
    return aligned(table, widths, width, right)


def fits(table: Iterable[tuple[str, ...]], width: int | None, least_for_last: int = LEAST_WIDTH) -> bool:
    """Whether such a table stays readable in so many columns."""
    *fixed, last = (max(map(cells, column)) for column in zip(*table, strict=True))
    return width is None or sum(fixed) + len(GAP) * len(fixed) + min(last, least_for_last) <= width


def aligned(
    table: Iterable[tuple[str, ...]], widths: list[int], width: int | None, right: frozenset[int]
) -> Iterator[str]:
    """Like `columns`, where the widths are known already."""
    *fixed, last = widths
    start = sum(fixed) + len(GAP) * len(fixed)
    room = last if width is None else max(LEAST_WIDTH, width - start)
    for row in table:
        cut = wrapped(row[-1], room) or [""]
        padded = [
            _pad(cell, size, index in right) for index, (cell, size) in enumerate(zip(row[:-1], fixed, strict=True))
        ]
        yield GAP.join([*padded, cut[0]]).rstrip()
        for more in cut[1:]:
            yield " " * start + more


def _pad(text: str, width: int, right: bool) -> str:
    space = " " * (width - cells(text))
    return space + text if right else text + space


def counted(number: int, what: str) -> str:
    """'1 reading', '2 readings'. what: the one, whose several have an s behind it."""
    return f"{number} {what}{'' if number == 1 else 's'}"


def span_words(seconds: float) -> str:
    """A length of time in its largest whole unit: '2 hours', '1 minute', '12 s'."""
    for size, name in ((86400, "day"), (3600, "hour"), (60, "minute")):
        if seconds >= size:
            count = round(seconds / size)
            return counted(count, name)
    return f"{seconds:.0f} s"


def size_words(octets: int) -> str:
    """'512 kB', '3.4 MB': in thousands, as disks are sold."""
    for size, name in ((10**9, "GB"), (10**6, "MB")):
        if octets >= size:
            return f"{octets / size:.1f} {name}"
    return f"{-(-octets // 1000)} kB"

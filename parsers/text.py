"""Text that came from a device, made fit to show.

Nothing a cuff says may move a terminal's cursor, turn the writing direction or break a line.
"""

import unicodedata

LIMIT = 120
"""Characters kept at most. A GATT value has at most 512 octets; names on labels are far shorter."""

_WINDOW = 1024
_REPLACEMENT = "\N{REPLACEMENT CHARACTER}"
# Controls, formats such as the change of direction, surrogates, private and unassigned ones, line ends.
_HARMFUL = {"Cc", "Cf", "Cs", "Co", "Cn", "Zl", "Zp"}
_MARKS = {"Mn", "Me"}  # accents: a heap of them on one letter reaches into the lines around it
_MARKS_IN_A_ROW = 2
_PADDING = "\0 \t\r\n\N{NO-BREAK SPACE}\N{ZERO WIDTH NO-BREAK SPACE}"


def printable(text: str | bytes, limit: int = LIMIT) -> str:
    """`text` on one line, without anything that acts on a terminal, at most `limit` characters.

    Octets are read as UTF-8, wrong ones become U+FFFD, as does every control, formatting, surrogate,
    private or unassigned character. NULs and blanks at both ends go; what is cut off ends in '…'.
    """
    if limit < 1:
        raise ValueError("limit must be at least 1")
    head = text[: max(_WINDOW, 4 * limit)]  # an endless value is never worked on as a whole
    cut = len(text) > len(head)
    decoded = head.decode("utf-8", "replace") if isinstance(head, bytes | bytearray | memoryview) else head
    if cut:
        decoded = decoded.rstrip(_REPLACEMENT)  # the cut may have gone through a character
    decoded = decoded.strip(_PADDING)
    if decoded.isascii() and decoded.isprintable() and not cut and len(decoded) <= limit:
        return decoded  # as nearly always
    kept: list[str] = []
    marks = 0
    for character in decoded:
        category = unicodedata.category(character)
        marks = marks + 1 if category in _MARKS else 0
        if category in _MARKS and (marks > _MARKS_IN_A_ROW or not kept):
            continue
        if category == "Zs" or character in "\t\r\n":
            kept.append(" ")
        else:
            kept.append(_REPLACEMENT if category in _HARMFUL else character)
    if cut or len(kept) > limit:
        return "".join(kept[: limit - 1]).rstrip() + "…"
    return "".join(kept)

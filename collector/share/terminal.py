"""Readings as people like to see them in a terminal."""

from unicodedata import category


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

"""Saying words on stderr, in lines that a narrow terminal holds. What they say: `collector.numbers.words`."""

import shutil
import sys
from collections.abc import Iterable

from collector.cli.common.command import say
from collector.share.text.cautions import caution, very_high, very_high_pressure
from collector.share.text.layout import visible, wrapped

__all__ = ["caution", "tell", "very_high", "very_high_pressure", "words_width"]


def tell(texts: Iterable[str]) -> None:
    """Say each on lines of its own, broken between words where a terminal is narrow."""
    width = words_width()
    for text in texts:
        for line in [text] if width is None else wrapped(visible(text), width):
            say(line)


def words_width() -> int | None:
    """Columns for words on stderr, no more than read well; None for a pipe or a file."""
    return min(100, shutil.get_terminal_size().columns - 1) if sys.stderr.isatty() else None

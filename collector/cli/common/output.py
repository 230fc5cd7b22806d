"""What commands write besides words: tables, long lines, and JSON, a value a line."""

import shutil
import sys
from collections.abc import Iterable, Mapping
from typing import Any

from collector.cli.common.command import out
from collector.share.export.rows import json_text
from collector.share.text.layout import columns, wrapped


def terminal_width() -> int | None:
    """Columns of the terminal; None for a pipe or a file, where nothing is wrapped."""
    return shutil.get_terminal_size().columns if sys.stdout.isatty() else None


def out_lines(lines: Iterable[str]) -> None:
    for line in lines:
        out(line)


def out_wrapped(text: str) -> None:
    """A line of data, broken between words where the terminal is narrower."""
    width = terminal_width()
    out_lines([text] if width is None else wrapped(text, width))


def out_table(
    rows: Iterable[tuple[str, ...]], heading: tuple[str, ...] = (), right: frozenset[int] = frozenset()
) -> None:
    """right: which columns hold numbers."""
    out_lines(columns(rows, terminal_width(), heading, right))


def out_json(fields: Mapping[str, Any]) -> None:
    out(json_text(fields))

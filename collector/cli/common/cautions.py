"""The words that go with values, wherever the command line shows some. What they say: `collector.numbers.words`."""

import shutil
import sys
from collections.abc import Iterable, Iterator
from decimal import Decimal
from typing import TYPE_CHECKING

from collector.cli.common.command import say
from collector.numbers import words
from collector.numbers.levels import is_very_high
from collector.share.text.layout import visible, wrapped
from collector.store.values import exact_mmhg

if TYPE_CHECKING:
    from collector.store.values import Reading


def very_high(reading: "Reading") -> bool:
    """Whether either pressure is at or above the bounds, themselves included."""
    return very_high_pressure(reading.systolic, reading.diastolic, reading.unit)


def very_high_pressure(systolic: Decimal | None, diastolic: Decimal | None, unit: str) -> bool:
    """The same of bare pressures. unit: 'mmHg' or 'kPa'."""
    return is_very_high(exact_mmhg(systolic, unit), exact_mmhg(diastolic, unit))


def caution(emergency_number: str) -> Iterator[str]:
    """What to say after a list that holds very high readings. emergency_number: empty where none is configured."""
    yield words.very_high_in_a_list()
    yield words.signs(emergency_number)
    yield words.pregnancy(emergency_number)
    yield words.CHILDREN
    yield words.NOT_A_DIAGNOSIS


def tell(texts: Iterable[str]) -> None:
    """Say each on lines of its own, broken between words where a terminal is narrow."""
    width = words_width()
    for text in texts:
        for line in [text] if width is None else wrapped(visible(text), width):
            say(line)


def words_width() -> int | None:
    """Columns for words on stderr, no more than read well; None for a pipe or a file."""
    return min(100, shutil.get_terminal_size().columns - 1) if sys.stderr.isatty() else None

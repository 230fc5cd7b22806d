"""Pressures as people give them on the command line: '139/88'."""

from decimal import Decimal

from collector.cli.common.command import Usage
from collector.numbers.typed_pressures import typed_pressures


def need_pressures(text: str, option: str) -> tuple[Decimal, Decimal]:
    """Systolic and diastolic, mmHg. Raises Usage, naming the option."""
    try:
        return typed_pressures(text)
    except ValueError as wrong:
        raise Usage(f"{option} {text!r} {wrong}") from None

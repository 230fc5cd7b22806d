"""Pressures as people give them on the command line: '139/88'."""

import re
from decimal import Decimal

from collector.cli.common.command import Usage

MOST = 400
"""Beyond this no cuff shows a number: a slip of the pen."""


def need_pressures(text: str, option: str) -> tuple[Decimal, Decimal]:
    """Systolic and diastolic, mmHg. Raises Usage, naming the option."""
    found = re.fullmatch(r"\s*([0-9]+(?:[.,][0-9]+)?)\s*/\s*([0-9]+(?:[.,][0-9]+)?)\s*", text, re.ASCII)
    if not found:
        raise Usage(f"{option} {text!r} is not a blood pressure; give systolic over diastolic in mmHg, like 139/88")
    systolic, diastolic = (Decimal(part.replace(",", ".")) for part in found.groups())
    if systolic <= diastolic:
        raise Usage(f"{option} {text!r}: systolic is not above diastolic; are they the wrong way round?")
    if systolic > MOST or not diastolic:
        raise Usage(f"{option} {text!r} lies outside what can be measured")
    return systolic, diastolic

"""Pressures as people type them: '139/88'."""

import re
from decimal import Decimal

MOST = 400
"""Beyond this no cuff shows a number: a slip of the pen."""


def typed_pressures(text: str) -> tuple[Decimal, Decimal]:
    """Systolic and diastolic, mmHg. Raises ValueError: what is wrong with it, to stand behind what was typed."""
    found = re.fullmatch(r"\s*([0-9]+(?:[.,][0-9]+)?)\s*/\s*([0-9]+(?:[.,][0-9]+)?)\s*", text, re.ASCII)
    if not found:
        raise ValueError("is not a blood pressure; give systolic over diastolic in mmHg, like 139/88")
    systolic, diastolic = (Decimal(part.replace(",", ".")) for part in found.groups())
    if systolic <= diastolic:
        raise ValueError("has systolic not above diastolic; are they the wrong way round?")
    if systolic > MOST or not diastolic:
        raise ValueError("lies outside what can be measured")
    return systolic, diastolic

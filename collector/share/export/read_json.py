"""JSON that somebody hands in: numbers as they are written, and no name twice in an object: all but the last of its
values would go unheard (RFC 8259, section 4, leaves open what is meant)."""

import json
from decimal import Decimal
from typing import Any


class NameTwiceError(ValueError):
    """The text says which name."""


def _object(pairs: list[tuple[str, Any]]) -> dict[str, Any]:
    made = dict(pairs)
    if len(made) < len(pairs):
        names = [name for name, _ in pairs]
        raise NameTwiceError(f"{next(name for name in names if names.count(name) > 1)!r:.60} stands there twice")
    return made


DECODER = json.JSONDecoder(parse_float=Decimal, object_pairs_hook=_object)

"""JSON text by hand: fast, streaming, and with every digit of a decimal."""

import json
from collections.abc import Callable
from datetime import UTC, datetime
from decimal import Decimal
from functools import lru_cache
from hashlib import sha1
from json.encoder import encode_basestring_ascii
from typing import Any
from urllib.parse import quote
from uuid import UUID, uuid5

NAMESPACE = uuid5(UUID(int=0), "quietcuff")
_SEED = sha1(NAMESPACE.bytes)


quoted: Callable[[str], str] = encode_basestring_ascii
"""A JSON string, ASCII only."""


def number(value: Decimal) -> str:
    """The decimal with the digits it has: 120 and 120.0 stay apart, as FHIR asks (datatypes, decimal)."""
    text = str(value)
    return format(value, "f") if "E" in text else text


def compact(value: Any) -> str:
    """JSON of plain values without decimals; entries that are None are left out."""
    return json.dumps(_without_none(value), separators=(",", ":"))


def _without_none(value: Any) -> Any:
    if isinstance(value, dict):
        return {name: _without_none(one) for name, one in value.items() if one is not None}
    if isinstance(value, list):
        return [_without_none(one) for one in value if one is not None]
    return value


def uuid_of(name: str) -> str:
    """The version 5 UUID (RFC 9562, section 5.5) of a name of ours: the same name, the same UUID, anywhere."""
    digest = _SEED.copy()
    digest.update(name.encode())
    text = digest.hexdigest()
    variant = "89ab"[int(text[16], 16) & 3]
    return f"{text[:8]}-{text[8:12]}-5{text[13:16]}-{variant}{text[17:20]}-{text[20:32]}"


def instant(value: datetime) -> str:
    """A FHIR instant in UTC."""
    if value.tzinfo is not UTC:
        value = value.astimezone(UTC)
    return value.isoformat()[:-6] + "Z"


@lru_cache(maxsize=4096)
def search_value(text: str) -> str:
    """Text as the value of a search parameter in a URL (FHIR R4, search, escaping; RFC 3986)."""
    for special in "\\$,|":
        text = text.replace(special, "\\" + special)
    return quote(text, safe="")


def by_identifier(system: str, value: str) -> str:
    """The condition of a conditional create: `identifier=system|value` (FHIR R4, http, conditional create)."""
    return f"identifier={quote(system, safe=':/.')}|{search_value(value)}"

"""The JSON Schema of what leaves as JSON: a reading in NDJSON and over MQTT, and what MQTT says of one taken back.

Source: JSON Schema, draft 2020-12.
"""

from collections.abc import Mapping
from typing import Any

from collector.share.export.column_forms import FORMS, READING
from collector.store.columns import Column

VERSION = 1
"""Counts up when something is renamed, dropped or given another type. A new member is none of these."""


def schema(more: Mapping[str, Any]) -> dict[str, Any]:
    """The document. more: definitions of other rooms, by name."""
    return {
        "$schema": "https://json-schema.org/draft/2020-12/schema",
        "$id": f"https://quietcuff.invalid/schema/{VERSION}",
        "title": "A blood pressure reading as quietcuff writes it",
        "$ref": "#/$defs/reading",
        "$defs": {"reading": reading_schema(), "withdrawn": WITHDRAWN, **more},
    }


def reading_schema() -> dict[str, Any]:
    """A line of NDJSON, a message under PREFIX/STATION/PERSON/reading."""
    return {
        "type": "object",
        "properties": {one.name: _member(one) for one in READING},
        "required": [one.name for one in READING],
    }


WITHDRAWN = {
    "description": "A reading that was taken back, over MQTT under PREFIX/STATION/withdrawn",
    "type": "object",
    "properties": {"reading_id": {"type": "string"}},
    "required": ["reading_id"],
}


def _member(column: Column) -> dict[str, Any]:
    plain: dict[str, Any] = {**FORMS[column.kind].schema}
    if column.choices:
        plain["enum"] = list(column.choices)
    about = column.meaning + (f" ({column.unit}, UCUM)" if column.unit else "")
    if column.source:
        about += f"; source: {column.source}"
    if column.optional:
        plain = {"anyOf": [plain, {"type": "null"}]}
    return {"description": about, **plain}

"""Readings out of the NDJSON that `rows` writes."""

import json
from collections.abc import Iterable, Iterator
from datetime import UTC, datetime
from decimal import Decimal
from typing import Any

from collector.share.export.context import ExchangeError
from collector.store.values import Basis, Reading


def parse_ndjson(lines: Iterable[str]) -> Iterator[Reading]:
    """One reading a line. The status word as sent is not among an export's columns; its words are.

    Raises ExchangeError with the number of the line.
    """
    for number, line in enumerate(lines, 1):
        if not line.strip():
            continue
        try:
            yield _reading(json.loads(line, parse_float=Decimal))
        except (ValueError, KeyError, TypeError, ArithmeticError, AttributeError, RecursionError) as error:
            raise ExchangeError(f"line {number}: not a reading as quietcuff writes it ({error!r})") from None


def _reading(said: dict[str, Any]) -> Reading:
    taken, received = (datetime.fromisoformat(said[name]) for name in ("taken_at", "received_at"))
    if taken.tzinfo is None or received.tzinfo is None:
        raise ValueError("a time without offset")
    uncertainty = said["taken_uncertainty_s"]
    return Reading(
        _text(said["reading_id"]),
        _text(said["cuff"]),
        _whole(said["slot"]),
        _optional(said["person"]),
        _number(said["systolic"]),
        _number(said["diastolic"]),
        _number(said["mean"]),
        _text(said["unit"]),
        _number(said["pulse"]),
        taken,
        Basis(said["taken_basis"]),
        None if uncertainty is None else float(uncertainty),
        received.astimezone(UTC),
        _words(said["status"]),
        None,
        bool(said["features_known"]),
        _words(said["assessed"]),
        _optional(said["stamp"]),
        _words(said["marks"]),
        int(said["sightings"]),
        bytes.fromhex(said["payload"]).hex(),
        _optional(said["note"]),
    )


def _text(value: Any) -> str:
    if not isinstance(value, str) or not value:
        raise ValueError(f"{value!r} is no text")
    return value


def _optional(value: Any) -> str | None:
    return None if value is None else str(value)


def _whole(value: Any) -> int | None:
    return None if value is None else int(value)


def _number(value: Any) -> Decimal | None:
    if isinstance(value, str | bool):
        raise ValueError(f"{value!r} is no number")
    return None if value is None else Decimal(value)


def _words(value: Any) -> tuple[str, ...]:
    return tuple(_text(one) for one in value)

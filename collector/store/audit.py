"""Who belongs to what, who was lent what: every change that somebody made, when and what."""

import json
from collections.abc import Iterator, Mapping
from contextvars import ContextVar
from dataclasses import dataclass
from datetime import datetime
from typing import Any

from collector.store.database import Store, new_uid
from collector.store.instants import from_us, to_us
from collector.store.json_columns import from_json
from collector.store.namesakes import CALLED

BY = "by"
acting: ContextVar[str] = ContextVar("acting", default="")
"""The device of the page that asks for what is written now; every line then names it under `by`."""


@dataclass(frozen=True, slots=True)
class AuditLine:
    """One line of the audit table."""

    at: datetime
    what: str  # 'span added', 'reading claimed', …
    detail: Mapping[str, Any]
    person: str | None


def record(store: Store, at: datetime, what: str, detail: Mapping[str, Any], person_id: int | None = None) -> None:
    """Write one line, in the transaction of the change itself."""
    if device := acting.get():
        detail = {**detail, BY: device}
    with store.transaction():
        store.query(
            "INSERT INTO audit (uid, at, what, detail, person_id) VALUES (?, ?, ?, ?, ?)",
            (new_uid(), to_us(at), what, json.dumps(detail, ensure_ascii=False), person_id),
        )


_LINES = f"SELECT at, what, detail, {CALLED} FROM audit LEFT JOIN person ON person.id = person_id "


def changes(store: Store, last: int | None = None) -> Iterator[AuditLine]:
    """Newest first."""
    return _changes(store, _LINES + "ORDER BY at DESC, audit.id DESC LIMIT ?", -1 if last is None else last)


def count(store: Store) -> int:
    """How many lines there are."""
    return int(store.scalar("SELECT count(*) FROM audit"))


def about_reading(store: Store, reading_id: str) -> Iterator[AuditLine]:
    """Who one reading was given to and taken from, oldest first."""
    return _changes(store, _LINES + "WHERE detail LIKE ? ORDER BY at, audit.id", _naming(reading_id))


def forget_reading(store: Store, reading_id: str) -> None:
    """Delete what is told of one reading."""
    store.query("DELETE FROM audit WHERE detail LIKE ?", (_naming(reading_id),))


def _naming(reading_id: str) -> str:
    return f'%"reading": "{reading_id}"%'


def _changes(store: Store, query: str, value: object) -> Iterator[AuditLine]:
    rows = store.query(query, (value,))
    for at, what, detail, person in rows:
        yield AuditLine(from_us(at), what, from_json("audit", "detail", detail), person)

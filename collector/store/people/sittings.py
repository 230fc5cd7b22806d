"""Guided sittings: when one began, what was confirmed before it, and which readings it was made of."""

import json
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime

from collector.store import people
from collector.store.database import Store, new_uid
from collector.store.instants import LATER, from_us, optional_us, to_us
from collector.store.json_columns import from_json


@dataclass(frozen=True, slots=True)
class KeptSitting:
    person: str
    started_at: datetime
    prepared: tuple[str, ...]  # what was confirmed, in words
    reading_ids: tuple[str, ...]


def keep(
    store: Store, person: str, started_at: datetime, prepared: Sequence[str], reading_ids: Sequence[str], at: datetime
) -> None:
    """Write the sitting as far as it has come; the one that began then is written anew. Raises StoreError."""
    owner = people.need(store, person)
    prepared_text, readings_text = (json.dumps(list(words), ensure_ascii=False) for words in (prepared, reading_ids))
    with store.transaction():
        changed = store.query(
            f"UPDATE sitting SET prepared = ?, readings = ?, {LATER} WHERE person_id = ? AND started_at = ?",
            (prepared_text, readings_text, to_us(at), owner.row, to_us(started_at)),
        ).rowcount
        if not changed:
            store.query(
                """INSERT INTO sitting (uid, person_id, started_at, prepared, readings, changed_at)
                    VALUES (?, ?, ?, ?, ?, ?)""",
                (new_uid(), owner.row, to_us(started_at), prepared_text, readings_text, to_us(at)),
            )


def every(store: Store, person: str, since: datetime | None = None) -> list[KeptSitting]:
    """A person's sittings, oldest first; from `since` on."""
    owner = people.need(store, person)
    rows = store.query(
        """SELECT started_at, prepared, readings FROM sitting WHERE person_id = ?1 AND NOT gone
            AND (?2 IS NULL OR started_at >= ?2) ORDER BY started_at""",
        (owner.row, optional_us(since)),
    )
    return [
        KeptSitting(
            owner.name,
            from_us(started),
            tuple(from_json("sitting", "prepared", prepared)),
            tuple(from_json("sitting", "readings", readings)),
        )
        for started, prepared, readings in rows
    ]

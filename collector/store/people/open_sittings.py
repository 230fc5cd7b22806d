"""Guided sittings that somebody is in the middle of on the page: when it began and what was answered when.

Nothing else is kept of them: whoever shows one follows the flow again from its beginning with these answers.
"""

import json
from dataclasses import dataclass
from datetime import datetime, timedelta

from collector.store import audit
from collector.store.database import Store
from collector.store.instants import from_us, to_us
from collector.store.json_columns import from_json

LASTS = timedelta(hours=3)
"""After so long a sitting is not taken up again; nor one that begins so far ahead, by a clock put right since."""


@dataclass(frozen=True, slots=True)
class OpenSitting:
    row: int
    person: int
    started_at: datetime
    rest_s: float
    answers: tuple[tuple[datetime, str], ...]  # when, which key
    claimed: tuple[str, ...]  # readings that were nobody's and were taken for this person's


def begin(store: Store, person: int, rest_s: float, at: datetime) -> OpenSitting:
    """A new one in place of any other of the person."""
    with store.transaction():
        store.query("DELETE FROM page_sitting WHERE person_id = ?", (person,))
        row = store.query(
            "INSERT INTO page_sitting (person_id, started_at, rest_s, answers, claimed) VALUES (?, ?, ?, '[]', '[]')",
            (person, to_us(at), rest_s),
        ).lastrowid
        audit.record(store, at, "sitting begun on the page", {}, person)
    assert row is not None
    return OpenSitting(row=row, person=person, started_at=at, rest_s=rest_s, answers=(), claimed=())


def current(store: Store, person: int, at: datetime) -> OpenSitting | None:
    found = store.row(
        """SELECT id, started_at, rest_s, answers, claimed FROM page_sitting
        WHERE person_id = ? AND started_at > ? AND started_at < ?""",
        (person, to_us(at - LASTS), to_us(at + LASTS)),
    )
    if found is None:
        return None
    row, started, rest_s, answers, claimed = found
    keys = tuple((from_us(moment), key) for moment, key in from_json("page_sitting", "answers", answers))
    return OpenSitting(
        row=row,
        person=person,
        started_at=from_us(started),
        rest_s=rest_s,
        answers=keys,
        claimed=tuple(from_json("page_sitting", "claimed", claimed)),
    )


def answer(store: Store, sitting: OpenSitting, key: str, at: datetime) -> None:
    told = [*((to_us(moment), before) for moment, before in sitting.answers), (to_us(at), key)]
    store.query("UPDATE page_sitting SET answers = ? WHERE id = ?", (json.dumps(told), sitting.row))


def note_claim(store: Store, sitting: OpenSitting, reading_id: str) -> None:
    claimed = json.dumps([*sitting.claimed, reading_id])
    store.query("UPDATE page_sitting SET claimed = ? WHERE id = ?", (claimed, sitting.row))


def end(store: Store, person: int) -> None:
    store.query("DELETE FROM page_sitting WHERE person_id = ?", (person,))

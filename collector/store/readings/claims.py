"""Single readings given to a person, or to nobody, by hand: whatever the spans say.

A claim names the payload, not the derived reading, so that it outlives a rebuild and travels with a merge.
"""

from collections.abc import Iterable
from contextlib import suppress
from datetime import datetime
from itertools import chain

from collector.store import audit, people, readings
from collector.store.database import Store, chunks, new_uid, places_of
from collector.store.errors import UnreadableError
from collector.store.instants import EVER, LATER, to_us
from collector.store.json_columns import from_json
from collector.store.namesakes import folded
from collector.store.readings.said import after_all_said

CLAIMED, RELEASED, WITHDRAWN = "reading claimed", "reading released", "claim withdrawn"
"""How the history tells of it."""
NOBODYS = ""  # no name


def claim(store: Store, reading_id: str, person: str, at: datetime) -> None:
    """The reading is this person's. Call `intake.assign_reading` afterwards. Raises StoreError."""
    owner = people.need(store, person)
    _write(store, readings.get(store, reading_id).reading_id, owner.row, owner.name, at)


def claim_payloads(store: Store, whose: Iterable[tuple[int, int]]) -> None:
    """(payload's row, person's row): whatever reading this payload gives is the person's, by the log or the export that
    says so: as if said when the payload came. Leaves no audit line."""
    for some in chunks([(new_uid(), payload, person) for payload, person in whose]):
        store.query(
            f"""WITH said (uid, payload, person) AS (VALUES {places_of(some)})
            INSERT INTO claim (uid, payload_uid, person_id, changed_at)
            SELECT said.uid, payload.uid, person, {after_all_said("claim", "payload.arrived_at")}
            FROM said JOIN payload ON payload.id = said.payload WHERE true
            ON CONFLICT (payload_uid) DO UPDATE SET person_id = excluded.person_id, holds = 1,
            changed_at = max(excluded.changed_at, changed_at + 1)""",
            [*chain.from_iterable(some)],
        )


def release(store: Store, reading_id: str, at: datetime) -> None:
    """The reading is nobody's."""
    _write(store, readings.get(store, reading_id).reading_id, None, None, at)


def withdraw(store: Store, reading_id: str, at: datetime) -> None:
    """Take claim or release back: the spans decide again."""
    reading = readings.get(store, reading_id)
    with store.transaction():
        # A row with a newer time and no say, so that the change wins wherever stores merge.
        store.query(
            f"UPDATE claim SET person_id = NULL, holds = 0, {LATER} WHERE payload_uid IN ({_UIDS})",
            (to_us(at), reading.reading_id),
        )
        audit.record(store, at, WITHDRAWN, {"reading": reading.reading_id}, _owner(store, reading.person))


def follow(store: Store, row: int, person: int | None) -> None:
    """A reading (by its row) is this person's, or nobody's, because another one is: whatever was said of it by itself.

    As if it had been said when the reading was written: whoever reads one log at two stations is told by that. Named
    as the payload is: each store that works this out says the same.
    """
    store.query(
        """INSERT INTO claim (uid, payload_uid, person_id, changed_at) SELECT uid, uid, ?, arrived_at FROM reading
        JOIN payload ON payload.id = payload_id WHERE reading.id = ? ON CONFLICT (payload_uid) DO NOTHING""",
        (person, row),
    )
    store.query(
        """UPDATE claim SET person_id = ?1, holds = ?1 IS NOT NULL WHERE payload_uid IN (SELECT uid FROM outcome
        JOIN payload ON payload.id = outcome.payload_id WHERE outcome.reading = ?2)""",
        (person, row),
    )
    store.query("UPDATE reading SET person_id = ?, owner_mark = NULL WHERE id = ?", (person, row))


def last_said(store: Store, reading_id: str) -> int:
    """When somebody said last whose this very reading is (microseconds UTC)."""
    lines = audit.about_reading(store, reading_id)
    return max((to_us(one.at) for one in lines if one.what in (CLAIMED, RELEASED, WITHDRAWN)), default=EVER)


def taken_from(store: Store) -> dict[str, set[str]]:
    """By the reading's id, the folded names of those from whom somebody took it, for another or for nobody;
    NOBODYS where it was nobody's until then."""
    found: dict[str, set[str]] = {}
    said = "SELECT detail FROM audit WHERE what IN (?, ?)"
    for (detail,) in store.query(said, (CLAIMED, RELEASED)):
        with suppress(UnreadableError):  # a line that cannot be read takes nothing from anybody
            told = from_json("audit", "detail", detail)
            was = told.get("from")
            if isinstance(told.get("reading"), str) and (was is None or isinstance(was, str)):
                found.setdefault(told["reading"], set()).add(NOBODYS if was is None else folded(was))
    return found


_UIDS = """SELECT payload.uid FROM reading JOIN outcome ON outcome.reading = reading.id
    JOIN payload ON payload.id = outcome.payload_id WHERE reading_id = ?"""


def _write(store: Store, reading_id: str, person: int | None, name: str | None, at: datetime) -> None:
    with store.transaction():
        before = readings.get(store, reading_id).person
        store.query(
            f"""INSERT INTO claim (uid, payload_uid, person_id, changed_at)
            SELECT ?, payload.uid, ?, {after_all_said("claim", "?")}
            FROM reading JOIN payload ON payload.id = payload_id WHERE reading_id = ?
            ON CONFLICT (payload_uid) DO UPDATE SET person_id = excluded.person_id, holds = 1,
            changed_at = excluded.changed_at""",
            (new_uid(), person, to_us(at), reading_id),
        )
        what = RELEASED if person is None else CLAIMED
        detail = {"reading": reading_id, "from": before, "to": name}
        audit.record(store, at, what, detail, person if person is not None else _owner(store, before))


def _owner(store: Store, name: str | None) -> int | None:
    person = people.find(store, name) if name else None
    return person.row if person else None

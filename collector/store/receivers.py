"""The receivers of the relay: the row of each, when it may be tried again, and what was learned of it."""

from datetime import datetime, timedelta
from typing import Any

from collector.store.database import Store
from collector.store.errors import RefusedByStore
from collector.store.instants import from_us, to_come, to_us

LONGEST_PAUSE = timedelta(days=2)
"""Nothing waits so long."""


def enlist(store: Store, name: str, at: datetime) -> int:
    """The receiver's row, made where it is new: then everything there is waits for it, person by person."""
    if (found := row_of(store, name)) is not None:
        return found
    with store.transaction():
        row = store.query("INSERT INTO relay_target (name, since) VALUES (?, ?)", (name, to_us(at))).lastrowid
        store.query(
            """INSERT INTO outbox (target_id, reading_id) SELECT ?, reading_id FROM reading ORDER BY
                person_id, taken_at, reading_id""",
            (row,),
        )
    assert row is not None
    return row


def row_of(store: Store, name: str) -> int | None:
    """The receiver's row; None where nothing was ever sent there."""
    found: int | None = store.scalar("SELECT id FROM relay_target WHERE name = ?", (name,))
    return found


def forget(store: Store, name: str) -> None:
    """Send nothing more there, and forget what was sent. Raises StoreError for a receiver never sent to."""
    with store.transaction():
        if not store.query("DELETE FROM relay_target WHERE name = ?", (name,)).rowcount:
            raise RefusedByStore(f"nothing was ever sent to '{name}'")


def _of(store: Store, target: int, columns: str) -> tuple[Any, ...]:
    found: tuple[Any, ...] = store.query(f"SELECT {columns} FROM relay_target WHERE id = ?", (target,)).fetchone()
    return found


def _keep(store: Store, target: int, columns: str, *values: object) -> None:
    """Written only where it is news."""
    if _of(store, target, columns) != values:
        with store.transaction():
            places = ", ".join("?" * len(values))
            store.query(f"UPDATE relay_target SET ({columns}) = ({places}) WHERE id = ?", (*values, target))


def pace(store: Store, target: int) -> tuple[int | None, float | None]:
    """(readings at once, seconds for an exchange) as they were learned; None where nothing was."""
    batch, timeout_s = _of(store, target, "batch, timeout_s")
    return batch, timeout_s


def keep_pace(store: Store, target: int, batch: int, timeout_s: float) -> None:
    _keep(store, target, "batch, timeout_s", batch, timeout_s)


def entered(store: Store, target: int) -> bytes | None:
    """What the receiver has beside readings: a digest of what people entered, its averages, or that all is shown."""
    digest: bytes | None = _of(store, target, "entered")[0]
    return digest


def keep_entered(store: Store, target: int, digest: bytes | None) -> None:
    _keep(store, target, "entered", digest)


def shown(store: Store, target: int) -> tuple[str, str]:
    """(topic, discovery) where the newest readings were shown last; empty for nowhere."""
    topic, discovery = _of(store, target, "topic, discovery")
    return topic, discovery


def keep_shown(store: Store, target: int, topic: str, discovery: str) -> None:
    _keep(store, target, "topic, discovery", topic, discovery)


def pausing(store: Store, target: int, now: datetime) -> datetime | None:
    """Until when the receiver is left alone; None: it may be tried."""
    query = "SELECT next_at FROM relay_target WHERE id = ? AND next_at > ? AND next_at <= ?"
    until = store.scalar(query, (target, *to_come(now, LONGEST_PAUSE)))
    return None if until is None else from_us(until)


def unreachable(store: Store, target: int, trouble: str, next_at: datetime) -> None:
    """The receiver could not be reached."""
    with store.transaction():
        store.query(
            "UPDATE relay_target SET failures = failures + 1, trouble = ?, next_at = ? WHERE id = ?",
            (trouble, to_us(next_at), target),
        )


def reached(store: Store, target: int, now: datetime) -> None:
    with store.transaction():
        store.query(
            "UPDATE relay_target SET failures = 0, trouble = NULL, next_at = 0, worked_at = ? WHERE id = ?",
            (to_us(now), target),
        )


def failures(store: Store, target: int) -> int:
    return int(store.scalar("SELECT failures FROM relay_target WHERE id = ?", (target,)))

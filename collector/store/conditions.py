"""Lasting conditions that the listener tells of and `check` shows: no adapter, witness not allowed, …"""

from dataclasses import dataclass
from datetime import datetime

from collector.store.database import Store
from collector.store.instants import from_us, to_us


@dataclass(frozen=True, slots=True)
class ServiceCondition:
    """What the service tells of itself: no adapter, witness not allowed, a backup that failed."""

    topic: str
    text: str  # 'what is so; what mends it'
    since: datetime


def tell(store: Store, topic: str, text: str | None, at: datetime) -> None:
    """Set or, with None, end a condition. Its `since` stays while the text does."""
    with store.transaction():
        if text is None:
            store.query("DELETE FROM condition WHERE topic = ?", (topic,))
        else:
            store.query(
                """INSERT INTO condition VALUES (?, ?, ?) ON CONFLICT (topic) DO UPDATE SET text =
                    excluded.text, since = excluded.since WHERE text <> excluded.text""",
                (topic, text, to_us(at)),
            )


def current(store: Store) -> list[ServiceCondition]:
    return [
        ServiceCondition(topic, text, from_us(since))
        for topic, text, since in store.query("SELECT topic, text, since FROM condition ORDER BY topic")
    ]


def clear(store: Store) -> None:
    """Forget all of them: a listener that starts finds out anew."""
    with store.transaction():
        store.query("DELETE FROM condition")

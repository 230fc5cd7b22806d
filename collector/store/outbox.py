"""What is still to be sent on, for each receiver: filled by triggers in the transaction that changes a reading.

Nothing is lost: a row goes only when its receiver has that very state. Order: rows of one person leave in the
order in which they came; a reading that is refused holds up its person's, never another's.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta

from collector.store import receivers
from collector.store.database import Store
from collector.store.instants import from_us, to_come, to_us
from collector.store.namesakes import CALLED
from collector.store.readings.queries import BY_ARRIVAL, LAST_FIRST
from collector.store.values import TAKEN_BACK

IN_ANY_STATE = -1
"""No version: what was tried, or sent before, may be there, but perhaps not in this state."""


@dataclass(frozen=True, slots=True)
class Waiting:
    """One reading to be sent. digest: what the receiver has of it, None for nothing that we know of."""

    seq: int
    reading_id: str
    version: int
    person_id: int  # 0: nobody's, or the reading is gone
    digest: bytes | None
    tried: int | None  # the version of the first attempt

    @property
    def unknown_there(self) -> bool:
        """Whether the receiver cannot have it in another state: an attempt whose answer was lost was of this one."""
        return self.digest is None and self.tried in (None, self.version)

    @property
    def may_be_there(self) -> bool:
        """An attempt whose answer was lost may have arrived."""
        return self.digest is not None or self.tried is not None


@dataclass(frozen=True, slots=True)
class Refusal:
    """Why one person's readings wait."""

    person: str | None
    reading_id: str
    reason: str
    since: datetime
    next_at: datetime


@dataclass(frozen=True, slots=True)
class TargetStatus:
    name: str
    since: datetime
    waiting: int
    sent: int
    worked_at: datetime | None
    failures: int
    next_at: datetime | None  # None: at once
    trouble: str | None
    refusals: tuple[Refusal, ...]


def newest_sent(store: Store, target: int, names: Sequence[str] = ()) -> list[str]:
    """The newest reading that the receiver has of each person and that was not taken back; of these only, if any are
    named."""
    taken_back = sorted(f";{mark};" for mark in TAKEN_BACK)
    stands = " AND ".join(["NOT instr(';' || content_marks || ';', ?)"] * len(taken_back))
    found = []
    for person, name in store.query(f"SELECT id, {CALLED} FROM person WHERE NOT gone").fetchall():
        if names and name not in names:
            continue
        found.append(
            store.scalar(
                f"""SELECT reading_id FROM {BY_ARRIVAL} WHERE person_id = ? AND EXISTS (SELECT 1 FROM relay_sent
                WHERE target_id = ? AND relay_sent.reading_id = reading.reading_id)
                AND {stands} ORDER BY {LAST_FIRST} LIMIT 1""",
                (person, target, *taken_back),
            )
        )
    return [reading_id for reading_id in found if reading_id is not None]


def send_again(store: Store, target: int) -> None:
    """Everything waits anew: for a receiver that lost what it had, or is to have it otherwise. What it was sent it may
    have still, so what is another state or gone by then is told as such."""
    with store.transaction():
        receivers.keep_entered(store, target, None)
        store.query(
            """INSERT INTO outbox (target_id, reading_id) SELECT ?, reading_id FROM reading WHERE true
                ORDER BY person_id, taken_at, reading_id ON CONFLICT DO UPDATE SET version = version + 1""",
            (target,),
        )
        store.query(
            """UPDATE outbox SET tried = ?2 WHERE target_id = ?1 AND (tried IS NOT NULL OR reading_id IN
                (SELECT reading_id FROM relay_sent WHERE target_id = ?1))""",
            (target, IN_ANY_STATE),
        )


def next_batch(store: Store, target: int, limit: int, now: datetime, after: int = 0) -> list[Waiting]:
    """The first of what waits behind seq `after`, without the people that are held up now."""
    rows = store.query(
        """SELECT seq, outbox.reading_id, version, coalesce(reading.person_id, 0), digest, tried FROM outbox
        LEFT JOIN reading ON reading.reading_id = outbox.reading_id
        LEFT JOIN relay_sent ON relay_sent.target_id = outbox.target_id AND relay_sent.reading_id = outbox.reading_id
        LEFT JOIN relay_hold ON relay_hold.target_id = outbox.target_id
            AND relay_hold.person_id = coalesce(reading.person_id, 0)
            AND relay_hold.next_at > ?4 AND relay_hold.next_at <= ?5
        WHERE outbox.target_id = ?1 AND seq > ?3 AND relay_hold.target_id IS NULL ORDER BY seq LIMIT ?2""",
        (target, limit, after, *to_come(now, receivers.LONGEST_PAUSE)),
    )
    return [Waiting(*row) for row in rows.fetchall()]


def trying(store: Store, waiting: Sequence[Waiting]) -> None:
    """These are about to be sent for the first time, or again."""
    with store.transaction():
        for one in waiting:
            if one.tried is None:
                store.query("UPDATE outbox SET tried = ? WHERE seq = ? AND tried IS NULL", (one.version, one.seq))


def settled(store: Store, target: int, settled: Sequence[tuple[Waiting, bytes | None]], now: datetime) -> None:
    """The receiver has these as the digest says; None: it has nothing of it. What changed meanwhile stays."""
    with store.transaction():
        for waiting, digest in settled:
            store.query("DELETE FROM outbox WHERE seq = ? AND version = ?", (waiting.seq, waiting.version))
            store.query("UPDATE outbox SET tried = NULL WHERE seq = ?", (waiting.seq,))
            if digest is None:
                store.query(
                    "DELETE FROM relay_sent WHERE target_id = ? AND reading_id = ?", (target, waiting.reading_id)
                )
            elif digest != waiting.digest:
                store.query(
                    """INSERT INTO relay_sent VALUES (?, ?, ?, ?) ON CONFLICT DO UPDATE SET digest =
                        excluded.digest, at = excluded.at""",
                    (target, waiting.reading_id, digest, to_us(now)),
                )
        for person in {waiting.person_id for waiting, _ in settled}:
            store.query("DELETE FROM relay_hold WHERE target_id = ? AND person_id = ?", (target, person))


def note_refusal(store: Store, target: int, refused: Waiting, reason: str, now: datetime, pause: timedelta) -> None:
    """The receiver refuses this reading: its person's wait for `pause`."""
    with store.transaction():
        store.query(
            """INSERT INTO relay_hold VALUES (?, ?, ?, ?, ?, 1, ?) ON CONFLICT DO UPDATE SET reading_id =
                excluded.reading_id, reason = excluded.reason, failures = failures + 1, next_at =
                excluded.next_at""",
            (target, refused.person_id, refused.reading_id, reason, to_us(now), to_us(now + pause)),
        )


def refusals_so_far(store: Store, target: int) -> dict[int, int]:
    """How often each held person's readings were refused."""
    return dict(store.query("SELECT person_id, failures FROM relay_hold WHERE target_id = ?", (target,)).fetchall())


def status(store: Store) -> list[TargetStatus]:
    """Every receiver that was ever sent to, by name."""
    found = []
    for row, name, since, worked_at, failed, next_at, trouble in store.query(
        "SELECT id, name, since, worked_at, failures, next_at, trouble FROM relay_target ORDER BY name"
    ).fetchall():
        held = tuple(
            Refusal(
                person=person,
                reading_id=reading_id,
                reason=reason,
                since=from_us(held_since),
                next_at=from_us(held_until),
            )
            for person, reading_id, reason, held_since, held_until in store.query(
                f"""SELECT {CALLED}, reading_id, reason, relay_hold.since, relay_hold.next_at FROM
                    relay_hold LEFT JOIN person ON person.id = person_id WHERE target_id = ? ORDER BY
                    relay_hold.since""",
                (row,),
            ).fetchall()
        )
        waiting = int(store.scalar("SELECT count(*) FROM outbox WHERE target_id = ?", (row,)))
        sent = int(store.scalar("SELECT count(*) FROM relay_sent WHERE target_id = ?", (row,)))
        found.append(
            TargetStatus(
                name=name,
                since=from_us(since),
                waiting=waiting,
                sent=sent,
                worked_at=None if worked_at is None else from_us(worked_at),
                failures=failed,
                next_at=from_us(next_at) if next_at else None,
                trouble=trouble,
                refusals=held,
            )
        )
    return found


class Fetched:
    """What somebody who fetches readings now and then has had; notes wait in a table of their own until `keep`."""

    def __init__(self, store: Store, name: str) -> None:
        self._store, self._name = store, name
        store.query("CREATE TEMP TABLE IF NOT EXISTS noted (reading_id TEXT PRIMARY KEY, digest BLOB) WITHOUT ROWID")
        store.query("DELETE FROM noted")

    def had(self, reading_id: str) -> bytes | None:
        """Digest of the reading as it was fetched last."""
        found: bytes | None = self._store.scalar(
            "SELECT digest FROM fetched WHERE name = ? AND reading_id = ?", (self._name, reading_id)
        )
        return found

    def note(self, reading_id: str, digest: bytes) -> None:
        self._store.query("INSERT OR REPLACE INTO noted VALUES (?, ?)", (reading_id, digest))

    def keep(self) -> None:
        with self._store.transaction():
            self._store.query("INSERT OR REPLACE INTO fetched SELECT ?, reading_id, digest FROM noted", (self._name,))
        self._store.query("DELETE FROM noted")

"""Asking a person at a cuff for the digits on its display: somebody waits, the service asks, by way of the store."""

from dataclasses import dataclass
from datetime import datetime, timedelta

from collector.store.database import Store
from collector.store.instants import to_us
from collector.store.journal.cuffs import still_waited_for

ASK_FOR = timedelta(seconds=28)
"""The Security Manager gives up after 30 s (Core Specification Vol 3 Part H 3.4)."""
ANY = "*"
"""In place of an address: at whichever new cuff is let in."""


@dataclass(frozen=True, slots=True)
class Question:
    """number: what the display should show; None: its six digits are wanted."""

    number: int | None


def wait(store: Store, address: str, until: datetime) -> None:
    """Somebody is at the cuff until then, and can be asked."""
    with store.transaction():
        store.query("INSERT OR REPLACE INTO pairing (address, until) VALUES (?, ?)", (address, to_us(until)))


def leave(store: Store, *addresses: str) -> None:
    with store.transaction():
        store.many("DELETE FROM pairing WHERE address = ?", [(one,) for one in addresses])


_THERE = "FROM pairing WHERE until > ? AND until <= ?"


def present(store: Store, address: str, now: datetime) -> bool:
    """Whether somebody is at this cuff."""
    return store.row(f"SELECT 1 {_THERE} AND address IN (?, ?)", (*still_waited_for(now), address, ANY)) is not None


def anywhere(store: Store, now: datetime) -> bool:
    """Whether somebody is at any cuff."""
    return store.row(f"SELECT 1 {_THERE}", still_waited_for(now)) is not None


def ask(store: Store, address: str, number: int | None, now: datetime) -> None:
    with store.transaction():
        store.query(
            "INSERT OR IGNORE INTO pairing (address, until) SELECT ?, until FROM pairing WHERE address = ?",
            (address, ANY),
        )
        store.query(
            "UPDATE pairing SET asked_at = ?, number = ?, answer = NULL WHERE address = ?",
            (to_us(now), number, address),
        )


def questions(store: Store, now: datetime) -> dict[str, Question]:
    """All that wait for an answer, by the cuff's address. ASK_FOR: whoever asked gave up before."""
    rows = store.query(
        f"SELECT address, number {_THERE} AND asked_at > ? AND answer IS NULL ORDER BY asked_at",
        (*still_waited_for(now), to_us(now - ASK_FOR)),
    )
    return {address: Question(number) for address, number in rows}


def give(store: Store, address: str, number: int) -> None:
    """The answer: six digits, or 1 and 0 for yes and no."""
    with store.transaction():
        store.query("UPDATE pairing SET answer = ? WHERE address = ?", (number, address))


def answer(store: Store, address: str) -> int | None:
    found: int | None = store.scalar("SELECT answer FROM pairing WHERE address = ?", (address,))
    return found

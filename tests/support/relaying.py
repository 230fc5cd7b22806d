"""A store with readings of an invented household to send on, and receivers that only note."""

from collections.abc import Sequence
from datetime import UTC, datetime, timedelta
from decimal import Decimal
from pathlib import Path
from typing import Self

from collector import intake
from collector.intake.owner import assign_reading
from collector.share.export.context import ExportContext
from collector.share.relay.receiver import Board, Receiver
from collector.share.relay.sending import Sent, send
from collector.share.relay.target import Batch
from collector.store import journal, people
from collector.store.database import Store
from collector.store.opening import open_store
from collector.store.readings import claims
from collector.store.values import Reading

START = datetime(2031, 3, 4, 7, 0, tzinfo=UTC)
CLINIC = Receiver("clinic", "fhir", "https://clinic.example/fhir", batch=3)


def household(folder: Path, *names: str) -> Store:
    """An empty store that knows these people."""
    store = open_store(folder / "quietcuff.db")
    for name in names:
        people.add(store, name, START)
    return store


def write_down(store: Store, person: str | None, minute: int, systolic: int = 128, note: str | None = None) -> str:
    """One hand-written reading; returns its id."""
    at = START + timedelta(minutes=minute)
    row = intake.HandRow(at, Decimal(systolic), Decimal(81), Decimal(64), note=note)
    added = journal.append(
        store,
        cuff="hand",
        characteristic=intake.HAND_CHARACTERISTIC,
        value=row.build(),
        arrived_at=START + timedelta(minutes=minute, seconds=30),
        source="hand",
    )
    outcome = intake.interpret(store, added.payload)
    assert outcome.reading_id
    assert outcome.reading
    if person is not None:
        claims.claim(store, outcome.reading_id, person, START)
        assign_reading(store, outcome.reading)
    return outcome.reading_id


class Clock:
    """Stands still unless moved."""

    def __init__(self) -> None:
        self.now = START

    def __call__(self) -> datetime:
        return self.now

    def forward(self, **span: float) -> None:
        self.now += timedelta(**span)


class Noting:
    """A receiver in memory. trouble: what to raise instead of taking a batch."""

    def __init__(self) -> None:
        self.batches: list[Batch] = []
        self.trouble: list[Exception | None] = []
        self.dislikes: set[str] = set()
        self.shown: list[str | None] = []
        self.opened = 0

    def connect(self, receiver: Receiver, context: ExportContext) -> "Noting":
        self.opened += 1
        return self

    def deliver(self, batch: Batch) -> None:
        from collector.share.relay.target import RefusedByReceiver

        if self.trouble and (error := self.trouble.pop(0)) is not None:
            raise error
        if bad := self.dislikes & {reading.reading_id for reading in batch.readings}:
            raise RefusedByReceiver(f"{min(bad)} is not welcome")
        self.batches.append(batch)

    def show(self, newest: Sequence[Reading], before: Board) -> None:
        self.shown = [reading.person for reading in newest]

    @property
    def fresh(self) -> list[str]:
        return [reading.reading_id for batch in self.batches for reading in batch.fresh]

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *_: object) -> None:
        pass


def run(store: Store, clinic: Noting, clock: Clock, receiver: Receiver = CLINIC, **how: bool) -> Sent:
    return send(store, receiver, ExportContext(), clinic.connect, clock, **how)

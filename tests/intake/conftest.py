"""A store for each test, and the few verbs by which a simulated listener fills it."""

from collections.abc import Callable, Iterator
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path

import pytest

from collector import intake
from collector.store import Store, journal, open_store
from collector.store.journal import stations, visits
from parsers.stamps import build_current_time

CUFF = "C0:FF:EE:00:00:01"


@dataclass
class Bench:
    """What a listener does, in one line each."""

    store: Store
    cuff: str = CUFF
    interpret: bool = True

    def visit(self, at: datetime, clock: datetime | None = None, feature: int | None = None) -> int:
        """Opens a visit; reads the cuff's clock (what it shows) and features where given."""
        number = visits.open_visit(self.store, self.cuff, "virtual", at)
        if feature is not None:
            visits.learn_value(self.store, number, 0x2A49, feature.to_bytes(2, "little"), at)
        if clock is not None:
            visits.learn_value(self.store, number, 0x2A2B, build_current_time(clock), at)
        return number

    def bring(
        self, value: bytes, at: datetime, visit: int | None = None, uuid: int = 0x2A35, **more: object
    ) -> intake.PayloadOutcome:
        added = journal.append(
            self.store, cuff=self.cuff, characteristic=uuid, value=value, arrived_at=at, source="virtual",
            visit=visit, **more,  # type: ignore[arg-type]
        )  # fmt: skip
        return intake.interpret(self.store, added.payload)

    def end(self, visit: int, at: datetime, outcome: str = "cuff left") -> None:
        visits.close_visit(self.store, visit, at, outcome)
        intake.settle(self.store, visit)


@pytest.fixture
def make_bench(tmp_path: Path) -> Iterator[Callable[..., Bench]]:
    """Makes benches, each on a store of its own, in the zone asked for."""
    made: list[Store] = []

    def make(zone: str = "Europe/Vienna") -> Bench:
        store = open_store(tmp_path / f"{len(made)}" / "store.db")
        stations.set_zone(store, zone, datetime(1970, 1, 1, tzinfo=UTC))
        made.append(store)
        return Bench(store)

    yield make
    for store in made:
        store.close()


@pytest.fixture
def bench(make_bench: Callable[..., Bench]) -> Bench:
    return make_bench()

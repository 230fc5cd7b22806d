"""The real store behind the real Sink, and the one question that counts: is every measurement there, once?"""

from collections import Counter
from collections.abc import Iterable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path

from collector.radio.virtual import VirtualCuff
from collector.service.listen.store_sink import StoreSink
from collector.store import readings
from collector.store.database import Store
from collector.store.opening import open_store


@dataclass(frozen=True, slots=True)
class Comparison:
    """What became of what the cuffs measured."""

    measured: int
    lost: int
    twice: int
    strange: int  # readings that no cuff measured

    @property
    def good(self) -> bool:
        return self.lost == self.twice == self.strange == 0


def compared(store: Store, cuffs: Iterable[VirtualCuff]) -> Comparison:
    """Compare the readings with what the cuffs measured, cuff by cuff."""
    kept = Counter((reading.cuff, reading.payload) for reading in readings.select(store))
    measured = Counter((cuff.address, payload.hex()) for cuff in cuffs for payload in cuff.measured)
    return Comparison(
        measured=measured.total(),
        lost=(measured - kept).total(),
        twice=sum(count - 1 for key, count in kept.items() if count > 1),
        strange=sum(count for key, count in kept.items() if key not in measured),
    )


@contextmanager
def store_sink(folder: Path) -> Iterator[StoreSink]:
    with open_store(folder / "quietcuff.db") as store:
        yield StoreSink(store)

"""When a payload reached us, put right where the station's clock was wrong, and the zone rules there."""

from bisect import bisect_right
from collections.abc import Sequence
from dataclasses import dataclass, field

from collector.store.database import Store
from collector.store.instants import SECOND
from collector.store.journal import stations
from collector.store.journal.stations import UnsureClock

_UTC = [(0, "UTC")]


@dataclass(frozen=True, slots=True)
class ArrivalTimes:
    """corrections: per unsure clock, microseconds to add and whether that is known rather than bounded."""

    corrections: dict[int, tuple[int, bool]] = field(default_factory=dict)
    zones: dict[int, list[tuple[int, str]]] = field(default_factory=dict)

    def at(self, shown: int, clock: int | None) -> int:
        return shown if clock is None else shown + self.corrections[clock][0]

    def sure(self, clock: int | None) -> bool:
        return clock is None or self.corrections[clock][1]

    def zone(self, station: int, at: int) -> str:
        known = self.zones.get(station, _UTC)
        if len(known) == 1:
            return known[0][1]
        return known[max(0, bisect_right(known, at, key=lambda since: since[0]) - 1)][1]


def arrival_times(store: Store) -> ArrivalTimes:
    """As the store knows it now."""
    return ArrivalTimes(corrections(stations.unsure_clocks(store)), stations.zones(store))


def corrections(clocks: Sequence[UnsureClock]) -> dict[int, tuple[int, bool]]:
    """Per unsure clock, as `ArrivalTimes` has them."""
    found = {one.clock: (one.correction, True) for one in clocks if one.correction is not None}
    for one in clocks:
        if one.correction is not None:
            continue
        # That boot never learned the time. It came after the last thing this station knew the time of.
        if one.first is None or one.before is None:
            found[one.clock] = (0, False)
            continue
        shown, by = one.before
        last_known = shown + (found.get(by, (0, False))[0] if by is not None else 0)
        found[one.clock] = (max(0, last_known + SECOND - one.first), False)
    return found

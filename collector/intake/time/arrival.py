"""When a payload reached us, put right where the station's clock was wrong, and the zone rules there."""

from bisect import bisect_right
from dataclasses import dataclass, field

from collector.store.database import Store
from collector.store.instants import SECOND
from collector.store.journal import stations


@dataclass(frozen=True, slots=True)
class Arrivals:
    """corrections: per unsure clock, microseconds to add and whether that is known rather than bounded."""

    corrections: dict[int, tuple[int, bool]] = field(default_factory=dict)
    zones: dict[int, list[tuple[int, str]]] = field(default_factory=dict)

    def at(self, shown: int, clock: int | None) -> int:
        return shown if clock is None else shown + self.corrections[clock][0]

    def sure(self, clock: int | None) -> bool:
        return clock is None or self.corrections[clock][1]

    def zone(self, station: int, at: int) -> str:
        known = self.zones.get(station)
        if not known:
            return "UTC"
        return known[max(0, bisect_right(known, at, key=lambda since: since[0]) - 1)][1]


def arrivals(store: Store) -> Arrivals:
    """As the store knows it now."""
    return Arrivals(_corrections(store), stations.zones(store))


def _corrections(store: Store) -> dict[int, tuple[int, bool]]:
    found: dict[int, tuple[int, bool]] = {}
    unknown: list[tuple[int, int]] = []
    for clock, station, correction in store.query("SELECT id, station_id, correction FROM unsure_clock ORDER BY id"):
        if correction is None:
            unknown.append((clock, station))
        else:
            found[clock] = (correction, True)
    for clock, station in unknown:
        # That boot never learned the time. It came after the last thing this station knew the time of.
        first = store.row("SELECT number, arrived_at FROM payload WHERE clock_id = ? ORDER BY number LIMIT 1", (clock,))
        before = first and store.row(
            "SELECT arrived_at, clock_id FROM payload WHERE station_id = ? AND number < ? AND clock_id IS "
            "NOT ? "
            "ORDER BY number DESC LIMIT 1",
            (station, first[0], clock),
        )
        if first is None or before is None:
            found[clock] = (0, False)
            continue
        last_known = before[0] + (found.get(before[1], (0, False))[0] if before[1] is not None else 0)
        found[clock] = (max(0, last_known + SECOND - first[1]), False)
    return found

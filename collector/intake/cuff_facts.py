"""What visits told of a cuff besides its records and its clock: what it can do, whether it was bonded. Pure."""

from bisect import bisect_left, bisect_right
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from collector.store.journal import visit_facts
from collector.store.journal.visit_facts import Told
from parsers.errors import ParseError
from parsers.status import Feature, parse_feature
from parsers.uuids import UNPLACED


@dataclass(frozen=True, slots=True)
class CuffFacts:
    """features, bonds, discoveries: since when (microseconds UTC), in order. A feature value that cannot be read is
    None. discoveries: what stands at which handle."""

    features: Sequence[tuple[int, Feature | None]] = ()
    bonds: Sequence[tuple[int, bool]] = ()
    discoveries: Sequence[tuple[int, Mapping[str, int]]] = ()

    def feature_at(self, at: int, later: bool = True) -> Feature | None:
        """What the cuff can do: as last read before, else (`later`) as first read after; None if never."""
        before = bisect_right(self.features, at, key=lambda told: told[0])
        if before:
            return self.features[before - 1][1]
        return self.features[0][1] if later and self.features else None

    def bonded_at(self, at: int) -> bool:
        before = bisect_right(self.bonds, at, key=lambda told: told[0])
        return bool(before) and self.bonds[before - 1][1]

    def characteristic_at(self, handle: int, at: int) -> int | None:
        """What stands at a handle, by the first discovery since that instant, else by the last before it.

        UNPLACED: no measurement by either of them. None: nothing was discovered yet.
        """
        later = bisect_left(self.discoveries, at, key=lambda told: told[0])
        told = [*self.discoveries[later : later + 1], *self.discoveries[max(0, later - 1) : later]]
        places = (handles.get(str(handle)) for _, handles in told)
        return next((int(place) for place in places if place), UNPLACED if told else None)


def cuff_facts(told: Told) -> CuffFacts:
    """As far as they bear on what arrived in a time: see `visit_facts.told`."""
    return CuffFacts(
        features=[(at, _feature(value)) for at, _, value in told.features],
        bonds=[(at, bool((visit_facts.fields(value) or {}).get("bonded"))) for at, _, value in told.bonds],
        discoveries=[(at, places) for at, _, value in told.handles if (places := _places(value)) is not None],
    )


def checks_of(features: Sequence[bytes]) -> tuple[str, ...] | None:
    """What a cuff can assess by the first of these, where that can be read."""
    feature = _feature(features[0]) if features else None
    return None if feature is None else feature.checks()


def _places(value: bytes) -> dict[str, int] | None:
    found = visit_facts.fields(value)
    if found is None or not all(isinstance(place, int) for place in found.values()):
        return None
    return found


def _feature(value: bytes) -> Feature | None:
    try:
        return parse_feature(value)
    except ParseError:
        return None

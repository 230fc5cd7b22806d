"""Whose a reading is: by a claim, else by the span of (cuff, slot) that its time lies in, else nobody's."""

from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from itertools import groupby

from collector.store.database import Store
from collector.store.instants import SECOND
from collector.store.people import slot_spans
from collector.store.readings import copies, corrections, owners
from collector.store.readings.copies import Stretch
from collector.store.readings.owners import Owned

UNSURE = "owner unsure"
"""Its time may lie outside the span it would belong to, or two people's spans cover it: set aside until somebody
claims it."""


@dataclass(frozen=True, slots=True)
class OwnerSpan:
    """A span as intake weighs it; microseconds UTC."""

    person: int
    slot: int
    since: int | None
    until: int | None
    strict: bool

    def covers(self, at: int) -> bool:
        return (self.since is None or self.since <= at) and (self.until is None or at < self.until)

    def surely(self, at: int, uncertainty_s: float | None) -> bool:
        """Whether all of the time that the reading may be of lies inside.

        Where nobody can tell the uncertainty, only a strict span (a loan) minds.
        """
        if uncertainty_s is None:
            return not self.strict
        reach = round(uncertainty_s * SECOND)
        return (self.since is None or self.since <= at - reach) and (self.until is None or at + reach < self.until)


def owner(
    slot: int | None, at: int, uncertainty_s: float | None, spans: list[OwnerSpan]
) -> tuple[int | None, str | None]:
    """(person's row, mark). A span for the very slot goes before one for any that is no loan.

    Where two stations gave one slot to two people, it is nobody's until somebody decides.
    """
    if slot is None:
        slot = slot_spans.ABSENT
    covering = [span for span in spans if span.slot in (slot, slot_spans.ANY) and span.covers(at)]
    best = covering if len(covering) < 2 else [one for one in covering if one.slot == slot or one.strict] or covering
    if not best:
        return None, None
    person, sure = best[0].person, False
    for span in best:
        if span.person != person:
            return None, UNSURE
        sure = sure or span.surely(at, uncertainty_s)
    return (person, None) if sure else (None, UNSURE)


def spans_of_cuff(store: Store, cuff_id: int) -> list[OwnerSpan]:
    return [OwnerSpan(*bounds) for bounds in slot_spans.bounds_of_cuff(store, cuff_id)]


def assign_reading(store: Store, reading: int) -> None:
    """Give one reading (by its row) to its owner."""
    _assign(store, owners.owned(store, reading=reading))


def assign_cuff(store: Store, cuff_id: int) -> None:
    """Give a cuff's readings to their owners."""
    _assign(store, owners.owned(store, cuff_id=cuff_id))


def _assign(store: Store, readings: Iterable[Owned]) -> None:
    for cuff_id, group in groupby(readings, lambda one: one.cuff_id):
        of_cuff = list(group)
        changed = list(owners_to_set(of_cuff, spans_of_cuff(store, cuff_id)))
        owners.set_owners(store, changed)
        rows = {row for row, *_ in changed}
        times = [one.taken_at for one in of_cuff if one.row in rows]
        if times:
            corrections.mark(store)
            copies.mark(store, Stretch(min(times), max(times)))


def owners_to_set(readings: Iterable[Owned], spans: list[OwnerSpan]) -> Iterator[tuple[int, int | None, str | None]]:
    """(reading's row, person's row, mark) of each of a cuff's readings whose owner changes."""
    for one in readings:
        found = (one.claimant, None) if one.claimed else owner(one.slot, one.taken_at, one.uncertainty_s, spans)
        if found != (one.person, one.mark):
            yield one.row, *found

"""Whose a reading is: by a claim, else by the span of (cuff, slot) that its time lies in, else nobody's."""

from dataclasses import dataclass

from collector.store.database import Store
from collector.store.instants import SECOND
from collector.store.people import slot_spans

UNSURE = "owner unsure"
"""Its time may lie outside the span it would belong to, or two people's spans cover it: set aside until somebody
claims it."""


@dataclass(frozen=True, slots=True)
class Hold:
    """A span as intake weighs it; microseconds UTC."""

    person: int
    slot: int
    since: int | None
    until: int | None
    strict: bool

    def covers(self, slot: int | None, at: int) -> bool:
        fits = self.slot == slot_spans.ANY or self.slot == (slot_spans.ABSENT if slot is None else slot)
        return fits and (self.since is None or self.since <= at) and (self.until is None or at < self.until)

    def surely(self, at: int, uncertainty_s: float | None) -> bool:
        """Whether all of the time that the reading may be of lies inside.

        Where nobody can tell the uncertainty, only a strict span (a loan) minds.
        """
        if uncertainty_s is None:
            return not self.strict
        reach = round(uncertainty_s * SECOND)
        return (self.since is None or self.since <= at - reach) and (self.until is None or at + reach < self.until)


def owner(slot: int | None, at: int, uncertainty_s: float | None, holds: list[Hold]) -> tuple[int | None, str | None]:
    """(person's row, mark). A span for the very slot goes before one for any.

    Where two stations gave one slot to two people, it is nobody's until somebody decides.
    """
    fitting = [hold for hold in holds if hold.covers(slot, at)]
    best = [hold for hold in fitting if hold.slot != slot_spans.ANY] or fitting
    people = {hold.person for hold in best}
    if not people:
        return None, None
    if len(people) > 1 or not any(hold.surely(at, uncertainty_s) for hold in best):
        return None, UNSURE
    return people.pop(), None


def assign_reading(store: Store, reading: int) -> None:
    """Give one reading (by its row) to its owner."""
    _assign(store, "reading.id = ?", (reading,))


def assign_cuff(store: Store, cuff_id: int, received_since: int | None = None) -> None:
    """Give a cuff's readings to their owners; only those received since then (microseconds UTC) where
    given."""
    _assign(store, "reading.cuff_id = ? AND received_at >= ?",
            (cuff_id, -(1 << 62) if received_since is None else received_since))  # fmt: skip


def _assign(store: Store, where: str, values: tuple[int, ...]) -> None:
    with store.transaction():
        claimed = dict(
            store.query(
                "SELECT reading.id, claim.person_id FROM reading JOIN outcome ON outcome.reading = "
                "reading.id "
                "JOIN payload ON payload.id = outcome.payload_id JOIN claim ON claim.payload_uid = "
                "payload.uid "
                f"WHERE holds AND {where} ORDER BY claim.changed_at, claim.uid", values)
            if store.scalar("SELECT 1 FROM claim LIMIT 1") else ()
        )  # fmt: skip
        holds: dict[int, list[Hold]] = {}
        changes = []
        for row, cuff_id, slot, at, uncertainty, was, marked in store.query(
            f"SELECT id, cuff_id, slot, taken_at, uncertainty_s, person_id, owner_mark FROM reading WHERE {where}",
            values,
        ):
            if cuff_id not in holds:
                holds[cuff_id] = _holds(store, cuff_id)
            person, mark = (claimed[row], None) if row in claimed else owner(slot, at, uncertainty, holds[cuff_id])
            if (person, mark) != (was, marked):
                changes.append((person, mark, row))
        for change in changes:
            store.query("UPDATE reading SET person_id = ?, owner_mark = ? WHERE id = ?", change)


def _holds(store: Store, cuff_id: int) -> list[Hold]:
    return [
        Hold(person, slot, since, until, bool(strict))
        for person, slot, since, until, strict in store.query(
            "SELECT person_id, slot, since, until, strict FROM span WHERE cuff_id = ? AND NOT gone ORDER BY uid",
            (cuff_id,),
        )
    ]

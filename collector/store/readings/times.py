"""When readings were taken, as far as the store is concerned: what placing them needs, and the result."""

from collections.abc import Iterable
from dataclasses import dataclass
from typing import Any, NamedTuple

from collector.store.database import Store

HAND_CLOCK, AS_WAS = "hand", "as was"
"""Which clock the stamp of a hand-written reading is of: the writer's, or that of the reading it corrects."""


class Time(NamedTuple):
    """When a reading was taken: microseconds UTC, basis, uncertainty, marks."""

    taken_at: int
    basis: str  # as it is in the store: what is no Basis stops nothing
    uncertainty_s: float | None
    marks: tuple[str, ...]


class Placeable(NamedTuple):
    """A reading as far as its time is concerned. stamp, received: microseconds, of the cuff's clock and of ours."""

    row: int
    reading_id: str
    slot: int | None
    stamp: int | None
    clock: str | None
    received: int
    visit: int | None
    zone: str
    clock_id: int | None
    time: Time


_PLACEABLE = """
    SELECT reading.id, reading_id, slot, stamp_us, clock, received_at, reading.visit_id, zone.name, clock_id, taken_at,
        basis, uncertainty_s, time_marks
    FROM reading JOIN zone ON zone.id = zone_id JOIN payload ON payload.id = payload_id
"""


@dataclass(frozen=True, slots=True)
class Stored:
    """A cuff's readings in the store."""

    store: Store
    cuff_id: int

    def placeable(self, since: int) -> list[Placeable]:
        """Those first received since then, and in the visit that was going on; in order of arrival."""
        rows = self.store.query(
            f"""{_PLACEABLE} WHERE reading.cuff_id = ?1 AND received_at >= min(?2, coalesce((SELECT min(arrived_at)
                FROM payload WHERE visit_id = (SELECT visit_id FROM reading WHERE cuff_id = ?1 AND received_at >= ?2
                ORDER BY received_at LIMIT 1)), ?2))
            ORDER BY received_at, payload.number, payload.uid""",
            (self.cuff_id, since),
        )
        return [_placeable(row) for row in rows]

    def stamped_around(self, clock: str, start: int, before: int) -> list[Placeable]:
        """Those with a usable stamp of that clock received since `start`, and the last so many before."""
        # The clock is written out, so that the index of the rare one is found.
        of_clock = f"{_PLACEABLE} WHERE reading.cuff_id = ? AND clock = '{clock}' AND stamp_us IS NOT NULL"
        order = "ORDER BY received_at DESC, payload.number DESC, payload.uid DESC"
        later = self.store.query(f"{of_clock} AND received_at >= ? {order}", (self.cuff_id, start)).fetchall()
        earlier = self.store.query(
            f"{of_clock} AND received_at < ? {order} LIMIT ?", (self.cuff_id, start, before)
        ).fetchall()
        return [_placeable(row) for row in later + earlier]


def _placeable(row: tuple[Any, ...]) -> Placeable:
    taken_at, basis, uncertainty, marks = row[9:]
    time = Time(taken_at, basis, uncertainty, tuple(marks.split(";")) if marks else ())
    fields: Any = (*row[:9], time)
    return Placeable(*fields)


def set_times(store: Store, times: Iterable[tuple[int, Time]]) -> None:
    """(reading's row, when it was taken) of each that moves."""
    store.many(
        "UPDATE reading SET taken_at = ?, basis = ?, uncertainty_s = ?, time_marks = ? WHERE id = ?",
        [(time.taken_at, time.basis, time.uncertainty_s, ";".join(time.marks), row) for row, time in times],
    )


def record_retimed(store: Store, reading_id: str, at: int, before: Time, after: Time) -> None:
    """Note for whoever wonders why a reading moved."""
    store.query(
        """INSERT INTO retimed (reading_id, at, before, after, before_basis, after_basis,
            before_uncertainty_s, after_uncertainty_s) VALUES (?, ?, ?, ?, ?, ?, ?, ?)""",
        (
            reading_id,
            at,
            before.taken_at,
            after.taken_at,
            before.basis,
            after.basis,
            before.uncertainty_s,
            after.uncertainty_s,
        ),
    )

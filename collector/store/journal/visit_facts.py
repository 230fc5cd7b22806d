"""What visits told of a cuff besides its records: its clock, its features, its bond."""

import json
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from typing import Any, NamedTuple

from collector.store.database import Store
from collector.store.instants import SECOND

CLOCKS = (0x2A2B, 0x2A08)
"""The characteristics that show a cuff's clock: Current Time and Date Time (Bluetooth SIG, Assigned Numbers)."""
_CLOCKS = ", ".join(map(str, CLOCKS))  # written out, so that the index of these alone is found


_SILENT = 20 * SECOND
"""A cuff that said nothing for so long has nothing more to send. Visits end after 30 s of silence."""
WHOLE = f"""(outcome IS 'cuff left' OR (outcome IS 'we left' AND closed_at - coalesce((SELECT max(arrived_at)
    FROM payload WHERE visit_id = visit.id), opened_at) >= {_SILENT}))"""
"""Whether the cuff sent all it had in a row of `visit`: it hung up itself; or we did, not because the machine was
stopped, but after a long silence."""


@dataclass(frozen=True, slots=True)
class ClockValue:
    """A cuff's clock as it was read or written. at: our clock, microseconds UTC; error: ATT code of a refusal.

    whole: the cuff sent all it had in that visit, or nobody can tell (an export does not say).
    """

    row: int
    uid: bytes
    visit: int
    was_set: bool
    characteristic: int
    value: bytes
    at: int
    round_trip_us: int
    error: int | None
    clock_id: int | None
    station: int
    whole: bool


_CLOCK_VALUE = f"""
    SELECT visit_fact.id, visit_fact.uid, visit_id, kind, characteristic, value, at, round_trip_us, error,
        visit_fact.clock_id, station_id, {WHOLE} OR source = 'import'
    FROM visit_fact JOIN visit ON visit.id = visit_id
"""


def _clock_values(store: Store, query: str, *values: object) -> Iterator[ClockValue]:
    for row, uid, visit, kind, characteristic, value, at, round_trip, error, clock, station, whole in store.query(
        query, values
    ):
        yield ClockValue(
            row=row,
            uid=uid,
            visit=visit,
            was_set=kind == "clock set",
            characteristic=characteristic,
            value=value,
            at=at,
            round_trip_us=round_trip,
            error=error,
            clock_id=clock,
            station=station,
            whole=bool(whole),
        )


def clock_values(store: Store, cuff: int | str) -> Iterator[ClockValue]:
    """All of a cuff (its row or address), the latest first."""
    row = "?" if isinstance(cuff, int) else "(SELECT id FROM cuff WHERE address = ?)"
    query = f"{_CLOCK_VALUE} WHERE visit_fact.cuff_id = {row} AND characteristic IN ({_CLOCKS}) ORDER BY at DESC"
    return _clock_values(store, query, cuff)


def clock_values_since(store: Store, cuff_id: int, start: int, before: int) -> list[ClockValue]:
    """Those of a cuff since an instant (microseconds UTC), and at least so many before it, the latest first.

    All of them where any was kept while this machine's clock was not known to be right: once put right, such
    instants do not stand in the index's order.
    """
    unsure = store.row("SELECT 1 FROM visit_fact WHERE cuff_id = ? AND clock_id IS NOT NULL LIMIT 1", (cuff_id,))
    found: list[ClockValue] = []
    earlier = 0
    for value in clock_values(store, cuff_id):
        if earlier > before and unsure is None:
            break
        earlier += value.at < start
        found.append(value)
    return found


def clock_values_near(store: Store, cuff: str, at: int, before: int, after: int) -> list[ClockValue]:
    """So many values read just before an instant (microseconds UTC), and so many from it on; in order."""
    of_cuff = f"""{_CLOCK_VALUE} WHERE visit_fact.cuff_id = (SELECT id FROM cuff WHERE address = ?)
        AND kind = 'read' AND characteristic IN ({_CLOCKS})"""
    earlier = _clock_values(
        store, f"{of_cuff} AND at < ? ORDER BY at DESC, visit_fact.id DESC LIMIT ?", cuff, at, before
    )
    later = _clock_values(store, f"{of_cuff} AND at >= ? ORDER BY at, visit_fact.id LIMIT ?", cuff, at, after)
    return [*list(earlier)[::-1], *later]


def was_read_at(store: Store, cuff: str, at: int) -> bool:
    """Whether anything was read from the cuff (address) at that very microsecond."""
    query = "SELECT 1 FROM visit_fact JOIN cuff ON cuff.id = cuff_id WHERE address = ? AND kind = 'read' AND at = ?"
    return store.row(query, (cuff, at)) is not None


def fields(value: bytes) -> dict[str, Any] | None:
    """What a fact of several fields says; None where it cannot be read: a merged store may hold anything."""
    try:
        found = json.loads(value)
    except (ValueError, RecursionError):
        return None
    return found if isinstance(found, dict) else None


FEATURE = 0x2A49
"""Blood Pressure Feature (Bluetooth SIG, Assigned Numbers)."""


class Told(NamedTuple):
    """(at, uid, value) of each, in order: what the cuff can do, whether it was bonded, what stands at which handle."""

    features: Sequence[tuple[int, bytes, bytes]]
    bonds: Sequence[tuple[int, bytes, bytes]]
    handles: Sequence[tuple[int, bytes, bytes]]


def told(store: Store, cuff_id: int, first: int, last: int) -> Told:
    """What visits told of a cuff besides its records and its clock, as `told_about`."""
    return Told(
        told_about(store, cuff_id, "read", FEATURE, first, last),
        told_about(store, cuff_id, "bond", None, first, last),
        told_about(store, cuff_id, "handles", None, first, last),
    )


def told_about(
    store: Store, cuff_id: int, kind: str, characteristic: int | None, first: int, last: int
) -> list[tuple[int, bytes, bytes]]:
    """(at, uid, value) of what was told from one instant to another (microseconds UTC), and of the last before and the
    first after; in order."""
    query = """SELECT at, uid, value FROM visit_fact WHERE cuff_id = ?1 AND kind = ?2 AND characteristic IS ?3
        AND at >= coalesce((SELECT max(at) FROM visit_fact WHERE cuff_id = ?1 AND kind = ?2 AND characteristic IS ?3
            AND at <= ?4), ?4)
        AND at <= coalesce((SELECT min(at) FROM visit_fact WHERE cuff_id = ?1 AND kind = ?2 AND characteristic IS ?3
            AND at > ?5), ?5)
        ORDER BY at, uid"""
    return store.query(query, (cuff_id, kind, characteristic, first, last)).fetchall()

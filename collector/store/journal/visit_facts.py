"""What visits told of a cuff besides its records: its clock, its features, its bond."""

import json
from collections.abc import Iterator
from dataclasses import dataclass

from collector.store.database import Store
from collector.store.journal.payloads import UNPLACED

CLOCKS = (0x2A2B, 0x2A08)
"""The characteristics that show a cuff's clock: Current Time and Date Time (Bluetooth SIG, Assigned Numbers)."""
_CLOCKS = ", ".join(map(str, CLOCKS))  # written out, so that the index of these alone is found


@dataclass(frozen=True, slots=True)
class ClockValue:
    """A cuff's clock as it was read or written. at: our clock, microseconds UTC; error: ATT code of a refusal."""

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


_CLOCK_VALUE = """
    SELECT visit_fact.id, visit_fact.uid, visit_id, kind, characteristic, value, at, round_trip_us, error,
        visit_fact.clock_id, station_id
    FROM visit_fact JOIN visit ON visit.id = visit_id
"""


def _clock_values(store: Store, query: str, *values: object) -> Iterator[ClockValue]:
    for row, uid, visit, kind, characteristic, value, at, round_trip, error, clock, station in store.query(
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
        )


def clock_values(store: Store, cuff: int | str) -> Iterator[ClockValue]:
    """All of a cuff (its row or address), the latest first."""
    row = "?" if isinstance(cuff, int) else "(SELECT id FROM cuff WHERE address = ?)"
    query = f"{_CLOCK_VALUE} WHERE visit_fact.cuff_id = {row} AND characteristic IN ({_CLOCKS}) ORDER BY at DESC"
    return _clock_values(store, query, cuff)


def clock_values_near(store: Store, cuff: str, at: int, before: int, after: int) -> list[ClockValue]:
    """So many values read just before an instant (microseconds UTC), and so many from it on; in order."""
    of_cuff = f"""{_CLOCK_VALUE} WHERE visit_fact.cuff_id = (SELECT id FROM cuff WHERE address = ?)
        AND kind = 'read' AND characteristic IN ({_CLOCKS})"""
    earlier = _clock_values(
        store, f"{of_cuff} AND at < ? ORDER BY at DESC, visit_fact.id DESC LIMIT ?", cuff, at, before
    )
    later = _clock_values(store, f"{of_cuff} AND at >= ? ORDER BY at, visit_fact.id LIMIT ?", cuff, at, after)
    return [*list(earlier)[::-1], *later]


def has_unsure(store: Store, cuff_id: int) -> bool:
    """Whether anything was learned of a cuff while this machine's clock was not known to be right."""
    return (
        store.row("SELECT 1 FROM visit_fact WHERE cuff_id = ? AND clock_id IS NOT NULL LIMIT 1", (cuff_id,)) is not None
    )


def was_read_at(store: Store, cuff: str, at: int) -> bool:
    """Whether anything was read from the cuff (address) at that very microsecond."""
    query = "SELECT 1 FROM visit_fact JOIN cuff ON cuff.id = cuff_id WHERE address = ? AND kind = 'read' AND at = ?"
    return store.row(query, (cuff, at)) is not None


def read_before(store: Store, cuff_id: int, characteristic: int, at: int) -> bytes | None:
    """A value as it was last read until then."""
    found: bytes | None = store.scalar(
        """SELECT value FROM visit_fact WHERE cuff_id = ? AND kind = 'read' AND characteristic = ? AND at <= ?
           ORDER BY at DESC, uid DESC LIMIT 1""",
        (cuff_id, characteristic, at),
    )
    return found


def read_after(store: Store, cuff_id: int, characteristic: int, at: int) -> bytes | None:
    """A value as it was first read after that."""
    found: bytes | None = store.scalar(
        """SELECT value FROM visit_fact WHERE cuff_id = ? AND kind = 'read' AND characteristic = ? AND at > ?
           ORDER BY at, uid LIMIT 1""",
        (cuff_id, characteristic, at),
    )
    return found


def bond_before(store: Store, cuff_id: int, at: int) -> bytes | None:
    """What was last noted of a cuff's bond until then: JSON."""
    found: bytes | None = store.scalar(
        """SELECT value FROM visit_fact WHERE cuff_id = ? AND kind = 'bond' AND at <= ?
           ORDER BY at DESC, uid DESC LIMIT 1""",
        (cuff_id, at),
    )
    return found


def characteristic_at(store: Store, cuff_id: int, handle: int, at: int) -> int | None:
    """What stands at a handle, by the first discovery since that instant, else by the last before it.

    UNPLACED: no measurement by either of them. None: nothing was discovered yet.
    """
    query = "SELECT value FROM visit_fact WHERE cuff_id = ? AND kind = 'handles' AND at"
    later = store.scalar(f"{query} >= ? ORDER BY at, uid LIMIT 1", (cuff_id, at))
    earlier = store.scalar(f"{query} < ? ORDER BY at DESC, uid DESC LIMIT 1", (cuff_id, at))
    told = [json.loads(text) for text in (later, earlier) if text is not None]
    places = (handles.get(str(handle)) for handles in told)
    return next((int(place) for place in places if place), UNPLACED if told else None)

"""Step two of intake: when each reading was taken. Fetches what `timeline` needs, writes what it finds."""

from collector.intake.arrivals import Arrivals
from collector.intake.looks import looks_of
from collector.intake.timeline import Stamped, place
from collector.store import derived
from collector.store.database import Store
from collector.store.derived import Time


def place_cuff(
    store: Store, cuff_id: int, arrived: Arrivals, only: int | None = None, noted_at: int | None = None
) -> int:
    """Place a cuff's readings (or one) in time; returns how many moved.

    noted_at: write down each reading that moves, as of this instant; None for readings not placed before.
    """
    looks = looks_of(store, cuff_id, arrived)
    rows = store.query(
        "SELECT reading.id, reading_id, stamp_us, clock, received_at, reading.visit_id, zone.name, "
        "clock_id, payload_id, "
        "taken_at, basis, uncertainty_s, time_marks FROM reading JOIN zone ON zone.id = zone_id "
        "JOIN payload ON payload.id = payload_id WHERE reading.cuff_id = ? AND (?2 IS NULL OR reading.id = "
        "?2) "
        "ORDER BY received_at, payload_id",
        (cuff_id, only),
    ).fetchall()
    stamped = [
        Stamped(stamp, clock, received, visit, zone, arrived.sure(clock_id))
        for _, _, stamp, clock, received, visit, zone, clock_id, *_ in rows
    ]
    moved = 0
    for row, time in zip(rows, place(stamped, looks), strict=True):
        before = Time(row[9], row[10], row[11], tuple(row[12].split(";")) if row[12] else ())
        if time != before:
            derived.set_time(store, row[0], time)
            moved += 1
            if noted_at is not None:
                derived.record_retimed(store, row[1], noted_at, before, time)
    return moved

"""Lines of a log that stand in the store already, but by another zone's clock: the same wall time, hours apart.

A log is taken in again as it grows. Where the zone that it is read by has changed meanwhile, each line would be a
reading of its own.
"""

from collections.abc import Callable, Iterable
from datetime import datetime

from collector.intake.sources.hand_log import HandRow
from collector.store.database import Store
from collector.store.readings import hand_written


def by_another_clock(
    store: Store, rows: Iterable[HandRow], local: Callable[[datetime], datetime]
) -> dict[HandRow, datetime]:
    """Each such line, with the time at which it stands here. local: by which clock a time without an offset is read;
    with one that differs from it, the log says itself which is meant."""
    here = hand_written.by_the_wall(store)
    found: dict[HandRow, datetime] = {}
    for row in rows if here else ():
        wall = row.taken_at.replace(tzinfo=None, fold=0)
        same = here.get((wall, row.systolic, row.diastolic))
        if same and all(row.taken_at != at for at in same) and row.taken_at == local(wall):
            found[row] = same[0]
    return found

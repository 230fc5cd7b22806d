"""Lines of a log that stand in the store already, but by another zone's clock: the same wall time, hours apart.

A log is taken in again as it grows. Where the zone that it is read by has changed meanwhile, each line would be a
reading of its own.
"""

from collections.abc import Iterable
from datetime import datetime

from collector.intake.sources.hand_log import HandRow
from collector.store.database import Store
from collector.store.readings import hand_written


def by_another_clock(store: Store, rows: Iterable[HandRow]) -> dict[HandRow, datetime]:
    """Each such line, with the time at which it stands here."""
    here = hand_written.by_the_wall(store)
    found: dict[HandRow, datetime] = {}
    for row in rows:
        same = here.get((row.taken_at.replace(tzinfo=None, fold=0), row.systolic, row.diastolic))
        if same and all(row.taken_at != at for at in same):
            found[row] = same[0]
    return found

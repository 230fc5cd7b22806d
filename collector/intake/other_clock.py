"""Lines of a log that stand in the store already, but by another zone's clock: the same wall time, hours apart.

A log is taken in again as it grows. Where the zone that it is read by has changed meanwhile, each line would be a
reading of its own.
"""

from collections.abc import Sequence
from datetime import datetime

from collector.intake.sources.hand_log import HandRow
from collector.store import people
from collector.store.database import Store
from collector.store.readings import hand_written


def by_another_clock(store: Store, rows: Sequence[HandRow]) -> dict[HandRow, datetime]:
    """Each such line, with the time at which it stands here; none that says its offset, or stands here as another
    person's."""
    here = hand_written.by_the_wall(store)
    known = {name: people.find(store, name) for name in {row.person for row in rows if row.person}} if here else {}
    found: dict[HandRow, datetime] = {}
    for row in rows if here else ():
        same = here.get((row.taken_at.replace(tzinfo=None, fold=0), row.systolic, row.diastolic))
        if same is None or row.says_offset or any(row.taken_at == one.at for one in same):
            continue
        person = known.get(row.person or "")
        of_them = [one.at for one in same if person is None or one.person in (None, person.row)]
        if of_them:
            found[row] = of_them[0]
    return found

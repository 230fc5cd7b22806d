"""What the stations know of a cuff's bond and nobody has confirmed: a bond made in place of a lost one, visits without.

One reckoning for the list of cuffs and for the marks of readings.
"""

from dataclasses import dataclass, field

from collector.store.database import Store
from collector.store.journal import visit_facts


@dataclass(slots=True)
class BondDoubt:
    """Of one station. since: microseconds UTC, of a renewed bond. held: what it brought counts nowhere yet."""

    since: int | None = None
    held: bool = False
    renewed: set[int] = field(default_factory=set)  # visits
    keyless: set[int] = field(default_factory=set)  # visits


def bond_doubts(store: Store, cuff_id: int) -> dict[int, BondDoubt]:
    """By the row of the station; none where no bond was ever found missing."""
    found: dict[int, BondDoubt] = {}
    for station, visit, value, at in store.query(
        """SELECT station_id, visit_id, value, at FROM visit_fact JOIN visit ON visit.id = visit_id
        WHERE visit_fact.cuff_id = ? AND kind = 'bond' ORDER BY at, visit_fact.uid""",
        (cuff_id,),
    ).fetchall():
        fact = visit_facts.fields(value) or {}
        if fact.get("confirmed"):
            found = {known: BondDoubt() for known in found}
        elif fact.get("renewed"):
            doubt = found.setdefault(station, BondDoubt())
            doubt.renewed.add(visit)
            doubt.since = at if doubt.since is None else doubt.since
            doubt.held = doubt.held or bool(fact.get("held"))
        elif fact.get("missing_on") == "cuff" and fact.get("held"):
            found.setdefault(station, BondDoubt()).keyless.add(visit)
    return found


def renewed(store: Store, cuff_id: int) -> str | None:
    """What became of records over a bond that was made anew: 'held' or 'counts'; None where no bond waits to be
    confirmed."""
    waiting = [doubt for doubt in bond_doubts(store, cuff_id).values() if doubt.renewed]
    return ("held" if any(doubt.held for doubt in waiting) else "counts") if waiting else None

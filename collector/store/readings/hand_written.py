"""Hand-written readings, as far as a log that is taken in has to know them."""

from collections.abc import Collection, Mapping, Sequence, Set
from contextlib import suppress
from datetime import datetime
from decimal import Decimal
from typing import NamedTuple

from collector.store.columns import zone_named
from collector.store.database import Store
from collector.store.errors import ODD, UnreadableError
from collector.store.instants import from_us
from collector.store.journal import cuffs
from collector.store.readings import claims
from collector.store.readings.marks import words
from collector.store.readings.said import LAST_CLAIM_FIRST
from collector.store.values import STRUCK_OUT, VOID_MARKS


class Written(NamedTuple):
    """What is known of a reading. payload: its first, None until that is in the journal; person: by row; settled:
    somebody said that it is nobody's; taken_from: as `claims.taken_from`."""

    payload: int | None
    pulse: str | None
    note: str | None
    person: int | None
    settled: bool = False
    taken_from: Set[str] = frozenset()


def known(store: Store) -> dict[str, Written]:
    """By the reading's id."""
    rows = store.query(
        f"""SELECT reading_id, reading.payload_id, pulse, note, person_id,
        person_id IS NULL AND (SELECT holds AND claim.person_id IS NULL FROM outcome JOIN payload
            ON payload.id = outcome.payload_id JOIN claim ON payload_uid = payload.uid
            WHERE outcome.reading = reading.id ORDER BY {LAST_CLAIM_FIRST} LIMIT 1)
        FROM reading JOIN cuff ON cuff.id = reading.cuff_id WHERE address = ?""",
        (cuffs.HAND,),
    )
    taken_from = claims.taken_from(store)
    return {
        reading_id: Written(
            payload, pulse, note, person, settled=bool(settled), taken_from=taken_from.get(reading_id, frozenset())
        )
        for reading_id, payload, pulse, note, person, settled in rows
    }


def beside(store: Store, new: Collection[str], but: Collection[str]) -> list[str]:
    """The ids of those that count, at the very instant of a new one and of the same person, but these."""
    rows = store.query(
        """SELECT new.reading_id, new.content_marks, other.reading_id, other.content_marks FROM reading new
        JOIN reading other ON other.cuff_id = new.cuff_id AND other.taken_at = new.taken_at AND other.id <> new.id
        AND other.person_id IS new.person_id AND new.systolic IS NOT NULL AND other.systolic IS NOT NULL
        WHERE new.cuff_id = (SELECT id FROM cuff WHERE address = ?) ORDER BY new.taken_at""",
        (cuffs.HAND,),
    )
    new, but = set(new), set(but)
    both = [other for one, marks, other, more in rows if one in new and not VOID_MARKS & (words(marks) | words(more))]
    return list(dict.fromkeys(other for other in both if other not in but))


Walled = tuple[datetime, Decimal | None, Decimal | None]
"""A wall time without zone, systolic, diastolic."""


class WrittenAt(NamedTuple):
    """person: row, None for nobody's."""

    at: datetime
    person: int | None


def by_the_wall(store: Store) -> Mapping[Walled, Sequence[WrittenAt]]:
    """When those were taken, all but what was struck out, of which a wall clock and the values say the same."""
    rows = store.query(
        """SELECT taken_at, zone.name, systolic, diastolic, person_id, content_marks FROM reading
        JOIN cuff ON cuff.id = reading.cuff_id JOIN zone ON zone.id = zone_id
        WHERE address = ? AND systolic IS NOT NULL AND diastolic IS NOT NULL""",
        (cuffs.HAND,),
    )
    found: dict[Walled, list[WrittenAt]] = {}
    for us, zone, systolic, diastolic, person, marks in rows:
        if STRUCK_OUT in words(marks):  # as whoever read a log by the wrong clock has its lines
            continue
        with suppress(*ODD, UnreadableError):  # one that cannot be read is nobody's double
            at = from_us(us).astimezone(zone_named(zone))
            wall = (at.replace(tzinfo=None, fold=0), Decimal(systolic), Decimal(diastolic))
            found.setdefault(wall, []).append(WrittenAt(at, person))
    return found

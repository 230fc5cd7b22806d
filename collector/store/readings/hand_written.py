"""Hand-written readings, as far as a log that is taken in has to know them."""

from typing import NamedTuple

from collector.store.database import Store
from collector.store.journal import cuffs


class Written(NamedTuple):
    """What is known of a reading. payload: its first, None until that is in the journal; person: by row; settled:
    somebody said that it is nobody's."""

    payload: int | None
    pulse: str | None
    note: str | None
    person: int | None
    settled: bool = False


def known(store: Store) -> dict[str, Written]:
    """By the reading's id."""
    rows = store.query(
        """SELECT reading_id, payload_id, pulse, note, reading.person_id, claim.holds AND claim.person_id IS NULL
        FROM reading JOIN cuff ON cuff.id = reading.cuff_id JOIN payload ON payload.id = payload_id
        LEFT JOIN claim ON payload_uid = payload.uid WHERE address = ?""",
        (cuffs.HAND,),
    )
    return {
        reading_id: Written(payload, pulse, note, person, settled=bool(settled))
        for reading_id, payload, pulse, note, person, settled in rows
    }

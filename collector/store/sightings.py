"""How often each reading came, by what the journal has of it."""

from collector.store.database import Store

SEEN = """CASE WHEN characteristic <> 1 THEN 1
    WHEN json_valid(CAST(value AS TEXT)) THEN json_extract(CAST(value AS TEXT), '$.sightings') END"""
"""SQL for how many sightings a payload stands for: one, or of a reading out of an export as many as that tells of."""


def miscounted(store: Store) -> int:
    """How many readings came more or less often than the journal has it: nothing is damaged, a rebuild counts anew."""
    return int(
        store.scalar(
            f"""SELECT count(*) FROM reading WHERE sightings <> (SELECT sum({SEEN}) FROM outcome JOIN payload ON
                payload.id = outcome.payload_id WHERE outcome.reading = reading.id AND kind = 'reading'
                AND payload.cuff_id = reading.cuff_id)"""
        )
    )

"""Where in the cuff a payload came from: a value that arrives before discovery means something only later."""

from typing import Any


def apply(db: Any) -> None:
    # characteristic is 0 where nobody knew yet what stands at the handle. NULL: the radio did not tell.
    db.execute("ALTER TABLE payload ADD COLUMN handle INTEGER")
    db.execute("CREATE INDEX payload_unplaced ON payload (cuff_id, arrived_at) WHERE characteristic = 0")

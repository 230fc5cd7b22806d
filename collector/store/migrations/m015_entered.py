"""What people entered goes to a receiver that keeps it, whenever it differs from what was sent last."""

from typing import Any


def apply(db: Any) -> None:
    db.execute("ALTER TABLE relay_target ADD COLUMN entered BLOB")  # digest of the entries as they were sent

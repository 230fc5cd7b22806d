"""Where a receiver shows each person's newest reading, so that it is taken down there once it is shown elsewhere or not
at all."""

from typing import Any


def apply(db: Any) -> None:
    for name in ("topic", "discovery"):  # as configured when it was shown last
        db.execute(f"ALTER TABLE relay_target ADD COLUMN {name} TEXT NOT NULL DEFAULT ''")

"""An erase that is under way; and names out of the payloads of hand-written and imported readings.

A payload is never changed, but for this once: a name in it would outlive its owner's erasing. Whose the reading is says
its claim.
"""

import json
from contextlib import suppress
from typing import Any

STATEMENTS = (
    # pad, sealed: what went and its traces, so that the search can be done again after a power cut; masked by the pad,
    # so that the row itself is no trace.
    """CREATE TABLE erasing (
        uid BLOB PRIMARY KEY, began_at INTEGER NOT NULL, pad BLOB NOT NULL, sealed BLOB NOT NULL)
        STRICT, WITHOUT ROWID""",
)


def afterwards(db: Any) -> None:
    rows = db.execute("SELECT id, cuff_id, value FROM payload WHERE characteristic IN (0, 1)").fetchall()
    changed = [(row, cuff, new) for row, cuff, value in rows if (new := _without_names(value)) != value]
    if not changed:
        return
    (trigger,) = db.execute("SELECT sql FROM sqlite_schema WHERE name = 'payload_never_changes'").fetchone()
    db.execute("PRAGMA secure_delete=ON")
    db.execute("DROP TRIGGER payload_never_changes")
    for row, cuff, value in changed:
        db.execute("UPDATE payload SET value = ? WHERE id = ?", (value, row))
        db.execute(
            "INSERT INTO derived (cuff_id, redo) VALUES (?, 1) ON CONFLICT (cuff_id) DO UPDATE SET redo = 1", (cuff,)
        )
    db.execute(trigger)


def _without_names(value: bytes) -> bytes:
    """The JSON of a payload without the name of a person; what is no such JSON stays as it is."""
    try:
        said = json.loads(value)
        named = said.pop("person", None) is not None
        inner = said.get("payload")
    except (ValueError, AttributeError, RecursionError):
        return value
    if isinstance(inner, str):
        with suppress(ValueError):
            said["payload"] = _without_names(bytes.fromhex(inner)).hex()
            named = named or said["payload"] != inner
    if not named:
        return value
    return json.dumps(said, ensure_ascii="payload" in said, sort_keys=True).encode("utf-8", "replace")

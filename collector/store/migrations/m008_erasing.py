"""An erase that is under way; and names out of the payloads of hand-written and imported readings.

A payload is never changed, but for this once: a name in it would outlive its owner's erasing. In its place stands the
person's uid, a random number. Reading ids of such hand-written readings change with it.
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


def apply(db: Any) -> None:
    for statement in STATEMENTS:
        db.execute(statement)
    _names_out_of_payloads(db)


def _names_out_of_payloads(db: Any) -> None:
    named = dict(db.execute("SELECT lower(name), lower(hex(uid)) FROM person ORDER BY gone DESC, uid DESC").fetchall())
    rows = db.execute(
        "SELECT id, cuff_id, characteristic, value FROM payload WHERE characteristic IN (0, 1)"
    ).fetchall()
    changed = [(row, cuff, new) for row, cuff, _, value in rows if (new := _without_names(value, named)) != value]
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


def _without_names(value: bytes, named: dict[str, str]) -> bytes:
    """The JSON of a payload with the person's uid for the name; what is no such JSON stays as it is."""
    try:
        said = json.loads(value)
        person, inner = said.get("person"), said.get("payload")
    except (ValueError, AttributeError, RecursionError):
        return value
    if isinstance(person, str):
        said["person"] = None if "payload" in said else named.get(person.lower())
    if isinstance(inner, str):
        with suppress(ValueError):
            said["payload"] = _without_names(bytes.fromhex(inner), named).hex()
    new = json.dumps(said, ensure_ascii="payload" in said, sort_keys=True).encode("utf-8", "replace")
    return value if said == json.loads(value) else new

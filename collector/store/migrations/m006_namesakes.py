"""A person is called otherwise once another of the same name comes or goes: receivers hear of it, as of a new name."""

from typing import Any


def _trigger(name: str, event: str, names: str) -> str:
    return (
        f"CREATE TRIGGER outbox_namesake_{name} AFTER {event} BEGIN INSERT INTO outbox (target_id, reading_id) "
        "SELECT relay_target.id, reading_id FROM relay_target "
        f"JOIN person ON person.name COLLATE NOCASE IN ({names}) "
        "JOIN reading ON reading.person_id = person.id WHERE true "
        "ON CONFLICT (target_id, reading_id) DO UPDATE SET version = version + 1; END"
    )


STATEMENTS = (
    _trigger("comes", "INSERT ON person", "NEW.name"),
    _trigger(
        "changes",
        "UPDATE OF name, gone ON person WHEN OLD.name <> NEW.name OR OLD.gone <> NEW.gone",
        "OLD.name, NEW.name",
    ),
    _trigger("goes", "DELETE ON person", "OLD.name"),
)


def apply(db: Any) -> None:
    for statement in STATEMENTS:
        db.execute(statement)

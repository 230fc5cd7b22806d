"""A person is called otherwise once another of the same name comes or goes: receivers hear of it, as of a new name."""

from collector.store.migrations.m004_relay import outbox_trigger


def _of_all_called(names: str) -> str:
    return f" JOIN person ON person.name COLLATE NOCASE IN ({names}) JOIN reading ON reading.person_id = person.id"


STATEMENTS = (
    "DROP TRIGGER outbox_renamed",  # of the one person; the second below is of the namesakes too
    outbox_trigger("namesake_comes", "INSERT ON person", "reading_id", _of_all_called("NEW.name")),
    outbox_trigger(
        "namesake_changes",
        "UPDATE OF name, gone ON person WHEN OLD.name <> NEW.name OR OLD.gone <> NEW.gone",
        "reading_id",
        _of_all_called("OLD.name, NEW.name"),
    ),
    outbox_trigger("namesake_goes", "DELETE ON person", "reading_id", _of_all_called("OLD.name")),
)

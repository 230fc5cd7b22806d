"""The marks of a reading as its row keeps them: words joined by ';', in their order."""

from collector.store.database import Store


def words(marks: str) -> set[str]:
    return set(filter(None, marks.split(";")))


def set_marks(store: Store, row: int, before: str, after: set[str]) -> None:
    joined = ";".join(sorted(after))
    if joined != before:
        store.query("UPDATE reading SET content_marks = ? WHERE id = ?", (joined, row))

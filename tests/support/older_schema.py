"""A store as it was before it took a step of its schema that changes no table."""

from collector.store.database import Store


def without_step(store: Store, name: str) -> None:
    """name: as '019 followed'. It and those after it are taken when the store is opened again."""
    store.query("DROP TABLE thinned")  # of step 022
    store.query("DELETE FROM _sqlite_migrations WHERE name >= ?", (name,))
    store.query(f"PRAGMA user_version = {int(name[:3]) - 1}")

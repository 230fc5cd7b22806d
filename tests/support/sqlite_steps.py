"""What something costs SQLite, whatever the machine does beside it."""

from collections.abc import Callable

from collector.store import Store


def steps_of(store: Store, work: Callable[[], object]) -> int:
    """How many of SQLite's instructions it takes (SQLite documentation, sqlite3_progress_handler)."""
    steps = 0

    def step() -> int:
        nonlocal steps
        steps += 1
        return 0

    store.connection.set_progress_handler(step, 1)
    work()
    store.connection.set_progress_handler(None, 1)
    return steps

"""A store of numbered payloads for tests of its copies: written, read back, damaged."""

from datetime import UTC, datetime, timedelta
from pathlib import Path

from collector.store import journal
from collector.store.opening import open_store

NIGHT = datetime(2031, 3, 4, 3, 15, tzinfo=UTC)
CUFF = "C0:FF:EE:00:00:01"


def append(path: Path, *values: int) -> None:
    with open_store(path) as store:
        for value in values:
            journal.append(
                store,
                cuff=CUFF,
                characteristic=0x2A35,
                value=value.to_bytes(4, "little") * 100,
                arrived_at=NIGHT + timedelta(minutes=value),
                source="virtual",
            )


def values(path: Path) -> list[int]:
    with open_store(path, create=False, read_only=True) as store:
        return [
            int.from_bytes(value[:4], "little") for (value,) in store.query("SELECT value FROM payload ORDER BY id")
        ]


def damage(path: Path) -> None:
    """Overwrite the middle pages, as a worn card might."""
    with open_store(path) as store:
        store.query("PRAGMA wal_checkpoint(TRUNCATE)").fetchall()
    size = path.stat().st_size
    with path.open("r+b") as file:
        for page in range(2, size // 4096, 3):
            file.seek(page * 4096)
            file.write(b"\xa5" * 4096)

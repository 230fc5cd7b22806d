"""A store of two invented people and one reading that a cuff sent, of nobody as yet."""

from collections.abc import Iterator
from contextlib import contextmanager
from datetime import UTC, datetime, timedelta
from pathlib import Path

from collector.intake import interpret
from collector.store import journal, people
from collector.store.database import Store
from collector.store.opening import open_store
from parsers.measurement import build_measurement, measurement
from parsers.stamps import DateTime

NOW = datetime(2031, 6, 1, tzinfo=UTC)
AT = datetime(2031, 3, 4, 7, 30, tzinfo=UTC)
CUFF = "C0:FF:EE:00:00:01"


@contextmanager
def two_people(folder: Path) -> Iterator[Store]:
    with open_store(folder / "store.db") as store:
        for name in ("ada", "bob"):
            people.add(store, name, NOW)
        value = build_measurement(measurement(128, 81, 97, stamp=DateTime.of(AT.replace(tzinfo=None)), user_id=1))
        kind, arrived = 0x2A35, AT + timedelta(seconds=20)
        sent = journal.append(store, cuff=CUFF, characteristic=kind, value=value, arrived_at=arrived, source="virtual")
        interpret(store, sent.payload)
        yield store

"""A store with readings of people, made through the journal as a listener makes them. All people are invented."""

from collections.abc import Iterable, Mapping, Sequence
from datetime import UTC, datetime, timedelta
from pathlib import Path

from collector.intake.owner import assign_cuff
from collector.intake.pipeline import catch_up, settle
from collector.store import journal, people
from collector.store.database import Store
from collector.store.journal import cuffs, stations, visits
from collector.store.opening import open_store
from collector.store.people import slot_spans
from collector.store.upkeep import checkpoint
from parsers.measurement import build_measurement, measurement
from parsers.sfloat import SFloat
from parsers.stamps import DateTime, build_date_time

KITCHEN = "C0:FF:EE:00:00:01"
BEFORE = datetime(2031, 1, 1, tzinfo=UTC)
MONDAY = datetime(2031, 3, 3, tzinfo=UTC)
MOVED, IRREGULAR = 0x0001, 0x0004

Row = tuple[datetime, int | None, int | None, int | None, int, int]
"""taken (in UTC, which Lisbon's winter is), systolic, diastolic, pulse, status word, slot"""


def make_store(path: Path, rows: Sequence[Row], owners: Mapping[str, int], zone: str = "Europe/Lisbon") -> Path:
    """Readings of the cuff 'kitchen', all sent in one visit with its clock right; each slot belongs to its owner."""
    with open_store(path) as store:
        stations.set_zone(store, zone, BEFORE)
        at = max(row[0] for row in rows) + timedelta(minutes=1)
        visit = visits.open_visit(store, KITCHEN, "virtual", at)
        visits.learn_value(store, visit, 0x2A08, build_date_time(DateTime.of(at.replace(tzinfo=None))), at)
        with store.transaction():
            for number, row in enumerate(sorted(rows, key=lambda row: row[0])):
                append(store, row, at + timedelta(milliseconds=100 * number), visit)
        catch_up(store)
        visits.close_visit(store, visit, at + timedelta(minutes=1), "cuff left")
        settle(store, visit)
        cuffs.name(store, KITCHEN, "kitchen", MONDAY)
        for name, slot in owners.items():
            people.add(store, name, MONDAY)
            slot_spans.add(store, name, KITCHEN, slot, MONDAY)
        assign_cuff(store, cuffs.row_of(store, KITCHEN))
        checkpoint(store)
    return path


def append(store: Store, row: Row, arrived: datetime, visit: int | None = None) -> int:
    """One payload into the journal; `catch_up` or `interpret` makes the reading."""
    taken, systolic, diastolic, pulse, status, slot = row

    def value(number: int | None) -> int | SFloat:
        return SFloat.absent() if number is None else number

    payload = build_measurement(
        measurement(
            value(systolic),
            value(diastolic),
            stamp=DateTime.of(taken.replace(tzinfo=None)),
            pulse=pulse,
            user_id=slot,
            status=status,
        )
    )
    return journal.append(
        store,
        cuff=KITCHEN,
        characteristic=0x2A35,
        value=payload,
        source="virtual",
        arrived_at=arrived,
        visit=visit,
        encrypted=True,
    ).payload


def week(start: datetime, systolic: int, diastolic: int, days: int = 7, slot: int = 1) -> Iterable[Row]:
    """Two readings each morning and evening: the second 2/1 lower, evenings 6/4 lower, day 1 8/4 higher."""
    for day in range(days):
        up = (8 if day == 0 else 0) + (0, 3, -2, 1, -3, 2, -1)[day % 7]
        for hour, evening in ((7, 0), (20, 1)):
            for second in (0, 1):
                yield (
                    start + timedelta(days=day, hours=hour, minutes=2 * second),
                    systolic + up - 6 * evening - 2 * second,
                    diastolic + up // 2 - 4 * evening - second,
                    64 + second,
                    0,
                    slot,
                )

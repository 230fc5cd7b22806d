"""Random histories of a listener's work, and what a store says in a form that can be compared.

The stores of two runs differ in row numbers and random uids; what a person or program sees must not differ.
"""

from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from typing import Any

from hypothesis import strategies as st

from collector import intake
from collector.store import Store, journal, readings
from collector.store.journal import visits
from parsers.measurement import build_measurement, measurement
from parsers.stamps import build_current_time, build_date_time

START = datetime(2026, 3, 1, 8, 0, tzinfo=UTC)
CUFFS = ("C0:FF:EE:00:00:01", "C0:FF:EE:00:00:02")


@dataclass(frozen=True)
class Record:
    """delay: minutes between measurement and arrival. stamped: 0 none, 1 stamped, 2 unusable date."""

    systolic: int
    delay: int
    stamped: int
    slot: int | None
    broken: bool
    uuid: int


@dataclass(frozen=True)
class Visiting:
    """One visit: minutes since the last, what the cuff's clock is off by (minutes), how it is read, what it sends."""

    cuff: int
    gap: int
    clock_off: int
    read: str  # '', 'current time', 'date time', 'unset'
    set_clock: bool
    feature: bool
    outside: bool  # payloads that belong to no visit
    records: tuple[Record, ...]
    again: int  # how many of the cuff's earlier payloads come once more
    ending: str = "cuff left"


records = st.builds(
    Record,
    systolic=st.integers(110, 114),
    delay=st.sampled_from((0, 0, 1, 30, 600, 3000)),
    stamped=st.sampled_from((0, 1, 1, 1, 1, 2)),
    slot=st.sampled_from((None, None, 1, 2)),
    broken=st.sampled_from((False,) * 9 + (True,)),
    uuid=st.just(0x2A35),
)
visitings = st.builds(
    Visiting,
    cuff=st.integers(0, 1),
    gap=st.sampled_from((0, 1, 5, 60, 700, 1440, 20_000)),
    clock_off=st.sampled_from((0, 0, 0, 1, 60, -60, -5_000_000)),
    read=st.sampled_from(("", "current time", "current time", "date time", "unset")),
    set_clock=st.booleans(),
    feature=st.booleans(),
    outside=st.sampled_from((False, False, False, True)),
    records=st.lists(records, max_size=4).map(tuple),
    again=st.integers(0, 2),
    ending=st.sampled_from(("cuff left", "cuff left", "link lost")),
)
histories = st.lists(visitings, min_size=1, max_size=12)


def play(store: Store, history: list[Visiting], live: bool = True) -> None:
    """Lets a listener live through it. live: interpret at once; else leave everything to be caught up."""
    now = START
    sent: dict[int, list[bytes]] = {0: [], 1: []}
    for one in history:
        now += timedelta(minutes=one.gap)
        cuff = CUFFS[one.cuff]
        shown = (now + timedelta(minutes=one.clock_off)).replace(tzinfo=None)
        visit = visits.open_visit(store, cuff, "virtual", now)
        if one.feature:
            visits.learn_value(store, visit, 0x2A49, b"\x05\x00", now)
        if one.read == "current time":
            visits.learn_value(store, visit, 0x2A2B, build_current_time(shown), now, 0.1)
        elif one.read == "date time":
            visits.learn_value(store, visit, 0x2A08, build_date_time(shown), now, 0.1)
        elif one.read == "unset":
            visits.learn_value(store, visit, 0x2A08, bytes(7), now, 0.1)
        values = [_payload(record, shown) for record in one.records] + sent[one.cuff][: one.again]
        sent[one.cuff] += values
        if one.set_clock and one.read:
            at = now + timedelta(seconds=2)
            visits.learn_clock_set(store, visit, 0x2A2B, build_current_time(at.replace(tzinfo=None)), at)
        for number, value in enumerate(values):
            now += timedelta(seconds=1)
            added = journal.append(store, cuff=cuff, characteristic=0x2A35, value=value, arrived_at=now,
                                   source="virtual", visit=None if one.outside else visit,
                                   mark=f"{now.isoformat()} {number}")  # fmt: skip
            if live:
                intake.interpret(store, added.payload)
        now += timedelta(seconds=1)
        visits.close_visit(store, visit, now, one.ending)
        if live:
            intake.settle(store, visit)


def _payload(record: Record, shown: datetime) -> bytes:
    stamp = shown - timedelta(minutes=record.delay) if record.stamped else None
    value = build_measurement(measurement(record.systolic, 80, stamp=stamp, user_id=record.slot))
    if record.stamped == 2:
        value = value[:7] + b"\x00\x00" + value[9:]
    return value[:5] if record.broken else value


def told(store: Store) -> list[Any]:
    """All that can be seen of the readings, random parts aside."""
    unstamped = dict(
        store.query(
            "SELECT reading_id, arrived_at FROM reading JOIN payload ON payload.id = payload_id WHERE stamp IS NULL"
        )
    )
    seen = []
    for reading in readings.select(store):
        fields = {name: getattr(reading, name) for name in reading.__slots__}
        if reading.reading_id in unstamped:  # its id hangs on its first payload's random number
            fields["reading_id"] = unstamped[reading.reading_id]
        seen.append(sorted((name, repr(value)) for name, value in fields.items()))
    return [sorted(seen), [(t.kind, t.reason, t.value) for t in journal.troubles(store)]]

"""How often a road through the code changes rooms: each place where a function of one room calls into another.

    python tests/bench/trace_rooms.py [--calls] [payload] [visit] [export] [report]

Rooms are the folders parsers and collector/*. The same call made again, by a loop over readings, counts once; making
a frozen value and asking it of itself (its properties) counts nothing, unless it asks a store: values are what rooms
hand each other. --calls shows them. It is the same at each run; tests/test_rooms.py holds the limits.
"""

import sys
import threading
from collections import Counter
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from datetime import UTC, datetime, timedelta
from functools import cache
from io import BytesIO, StringIO
from pathlib import Path
from tempfile import TemporaryDirectory
from types import FrameType

from collector.intake.owner import assign_cuff
from collector.radio.facts import CUFF_LEFT, ReceivedPayload, ValueRead
from collector.service.config import Config
from collector.service.listen.store_sink import StoreSink
from collector.store.database import Store
from collector.store.journal import cuffs, stations
from collector.store.opening import open_store
from collector.store.people import persons, slot_spans
from collector.store.values import Selection
from parsers.measurement import build_measurement, measurement
from parsers.stamps import build_current_time
from parsers.uuids import Uuid

ROOT = Path(__file__).parents[2]
LIMITS = {"payload": 12, "visit": 12, "export": 20, "report": 20}
CUFF = "C0:FF:EE:00:00:01"
NOON = datetime(2031, 3, 4, 12, 0, tzinfo=UTC)


class Changes:
    """Seen while it is installed: each change of rooms, by who called whom, and how often."""

    def __init__(self) -> None:
        self.seen: Counter[str] = Counter()

    def __call__(self, frame: FrameType, event: str, _: object) -> None:
        if event != "call" or frame.f_code.co_name.startswith("<") or _of_a_value(frame):
            return
        room = _room(frame)
        if room is None:
            return
        caller, before = frame.f_back, None
        while caller is not None and (before := _room(caller)) is None:
            caller = caller.f_back
        if caller is not None and before != room:
            self.seen[f"{before} -> {room}: {_name(caller)} calls {_name(frame)}"] += 1


def _of_a_value(frame: FrameType) -> bool:
    value = frame.f_locals.get("self")
    parameters = getattr(type(value), "__dataclass_params__", None)
    frozen = hasattr(type(value), "_fields") or (parameters is not None and bool(parameters.frozen))
    return frozen and not isinstance(getattr(value, "store", None), Store)


@cache
def _room_of(name: str) -> str | None:
    path = Path(name)
    parts = path.relative_to(ROOT).parts if path.is_relative_to(ROOT) else ()
    return "parsers" if parts[:1] == ("parsers",) else parts[1] if parts[:1] == ("collector",) else None


def _room(frame: FrameType) -> str | None:
    return _room_of(frame.f_code.co_filename)


def _name(frame: FrameType) -> str:
    return f"{Path(frame.f_code.co_filename).stem}.{frame.f_code.co_qualname}"


@contextmanager
def traced() -> Iterator[Changes]:
    found = Changes()
    threading.setprofile(found)
    sys.setprofile(found)
    try:
        yield found
    finally:
        sys.setprofile(None)
        threading.setprofile(None)


def _received(number: int) -> ReceivedPayload:
    at = NOON + timedelta(hours=12 * number)
    return ReceivedPayload(
        cuff=CUFF,
        characteristic=Uuid.BLOOD_PRESSURE_MEASUREMENT,
        value=build_measurement(measurement(130 + number, 80, 95, stamp=at.replace(tzinfo=None), pulse=60, user_id=1)),
        arrived_at=at + timedelta(seconds=3),
        source="virtual",
        encrypted=True,
    )


def _visit(sink: StoreSink, number: int) -> int:
    at = _received(number).arrived_at
    visit = sink.open_visit(CUFF, "virtual", at)
    sink.learn(visit, ValueRead(Uuid.CURRENT_TIME, build_current_time(at.replace(tzinfo=None)), at))
    return visit


def filled(store: Store) -> StoreSink:
    """Fifteen readings of one invented person, in as many visits."""
    stations.set_zone(store, "UTC", datetime(1970, 1, 1, tzinfo=UTC))
    persons.add(store, "mira", NOON)
    sink = StoreSink(store)
    for number in range(15):
        visit = _visit(sink, number)
        sink.take(_received(number), visit)
        sink.close_visit(visit, _received(number).arrived_at, CUFF_LEFT)
    slot_spans.add(store, "mira", CUFF, 1, NOON)
    assign_cuff(store, cuffs.row_of(store, CUFF))
    return sink


def payload(sink: StoreSink, store: Store) -> Changes:
    """A payload's way to a reading."""
    visit = _visit(sink, 15)
    with traced() as found:
        sink.take(_received(15), visit)
    return found


def visit(sink: StoreSink, store: Store) -> Changes:
    """The end of a visit that brought one reading."""
    number = _visit(sink, 15)
    sink.take(_received(15), number)
    with traced() as found:
        sink.close_visit(number, _received(15).arrived_at, CUFF_LEFT)
    return found


def export(sink: StoreSink, store: Store) -> Changes:
    """Fifteen readings to a FHIR Bundle."""
    from collector.service.jobs.export_context import export_context
    from collector.share.export.formats import FORMATS
    from collector.store import readings

    with traced() as found:
        FORMATS["fhir"].load()(readings.select(store, Selection()), StringIO(), export_context(store, Config()))
    return found


def report(sink: StoreSink, store: Store) -> Changes:
    """Fifteen readings to the page as PDF."""
    from collector.numbers.protocols import PROTOCOLS
    from collector.numbers.rules import Plan
    from collector.share.report import render_pdf
    from collector.share.report.gather import WantedReport, gather

    wanted = WantedReport(person="mira", protocol=PROTOCOLS["esh-2023"], plan=Plan())
    with traced() as found:
        BytesIO(render_pdf(gather(store, wanted, NOON + timedelta(days=9))))
    return found


ROADS: dict[str, Callable[[StoreSink, Store], Changes]] = {
    "payload": payload, "visit": visit, "export": export, "report": report,
}  # fmt: skip


def trace(name: str) -> Changes:
    with TemporaryDirectory() as folder, open_store(Path(folder) / "store.db") as store:
        return ROADS[name](filled(store), store)


if __name__ == "__main__":
    calls = "--calls" in sys.argv
    for name in [one for one in ROADS if one in sys.argv] or list(ROADS):
        found = trace(name).seen
        print(f"{name}: rooms changed at {len(found)} places, at most {LIMITS[name]} wanted")
        for call, times in found.most_common() if calls else ():
            print(f"  {times:3} × {call}")

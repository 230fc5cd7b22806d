"""How often a payload's way to a row, and the close of its visit, change rooms: the rooms of all calls in their order.

    python tests/bench/rooms.py [-v]

A change is a call in another room than the call before it; a function that calls two of another room in a row changes
once. Instants and pressures are converted by words that all rooms share (`store/instants.py`, `store/values.py`): these
are no room. -v: each stay, with what was called first. Everything in the store is invented.
"""

import sys
import tempfile
from collections.abc import Callable
from datetime import UTC, datetime, timedelta
from pathlib import Path
from types import FrameType

from collector import intake
from collector.store import journal, open_store, people
from collector.store.journal import visits
from collector.store.people import slot_spans
from parsers.measurement import build_measurement, measurement
from parsers.stamps import build_current_time

ROOT = Path(__file__).resolve().parents[2]
CUFF = "C0:FF:EE:00:00:01"
NOON = datetime(2026, 3, 9, 12, tzinfo=UTC)


def stays(work: Callable[[], object]) -> list[tuple[str, str]]:
    """(room, what was called first) of each stay in a room."""
    found: list[tuple[str, str]] = []

    def look(frame: FrameType, event: str, _: object) -> None:
        path = Path(frame.f_code.co_filename)
        if event != "call" or frame.f_code.co_name.startswith("<") or not path.is_relative_to(ROOT):
            return
        parts = path.relative_to(ROOT).parts
        room = parts[1] if parts[0] == "collector" else parts[0]
        if parts[-2:] in (("store", "instants.py"), ("store", "values.py")):
            return
        if parts[0] in ("collector", "parsers") and (not found or found[-1][0] != room):
            found.append((room, f"{path.stem}.{frame.f_code.co_name}"))

    sys.setprofile(look)
    try:
        work()
    finally:
        sys.setprofile(None)
    return found


def counts() -> dict[str, list[tuple[str, str]]]:
    with tempfile.TemporaryDirectory() as folder, open_store(Path(folder) / "store.db") as store:
        people.add(store, "Mira", NOON)
        found = {}
        for day in range(3):  # the first visits make what the later ones only look at
            at = NOON + timedelta(days=day)
            visit = visits.open_visit(store, CUFF, "bench", at)
            if not day:
                slot_spans.add(store, "Mira", CUFF, 1, at)
            visits.learn_value(store, visit, 0x2A2B, build_current_time(at.replace(tzinfo=None)), at)
            value = build_measurement(measurement(128, 82, stamp=at.replace(tzinfo=None), user_id=1))
            added = journal.append(store, cuff=CUFF, characteristic=0x2A35, value=value, arrived_at=at, source="bench",
                                   visit=visit)  # fmt: skip
            found["a payload's way to a row"] = stays(lambda row=added.payload: intake.interpret(store, row))  # type: ignore[misc]
            visits.close_visit(store, visit, at, "cuff left")
            found["closing a visit"] = stays(lambda visit=visit: intake.settle(store, visit))  # type: ignore[misc]
        return found


if __name__ == "__main__":
    for what, rooms in counts().items():
        print(f"{what}: {len(rooms) - 1} changes of room")
        for room, name in rooms if "-v" in sys.argv else ():
            print(f"    {room}: {name}")

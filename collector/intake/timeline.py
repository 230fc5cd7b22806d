"""Where on the time line a stamp lies, given the looks at the cuff's clock. Pure."""

from bisect import bisect_right
from collections.abc import Sequence
from dataclasses import dataclass

from collector.intake.looks import Look
from collector.intake.wall import from_wall
from collector.store.derived import Time
from collector.store.instants import SECOND
from collector.store.values import Basis


@dataclass(frozen=True, slots=True)
class Stamped:
    """A reading as far as time is concerned. stamp, received: microseconds, of the cuff's clock and of
    ours."""

    stamp: int | None
    clock: str | None
    received: int
    visit: int | None
    zone: str
    sure: bool  # whether our own clock was right when it came


def place(readings: Sequence[Stamped], looks: Sequence[Look]) -> list[Time]:
    return [_place(reading, looks) for reading in readings]


def _place(reading: Stamped, looks: Sequence[Look]) -> Time:
    marks = () if reading.sure else ("station clock unsure",)
    if reading.stamp is None:
        return Time(reading.received, Basis.ARRIVAL, None, marks)
    if reading.clock == "hand":
        return Time(reading.stamp, Basis.HAND, None, marks)
    if looks:
        before = bisect_right(looks, reading.received, key=lambda look: look.at)
        look = next((look for look in looks if look.visit == reading.visit), looks[max(0, before - 1)])
        return Time(reading.stamp + look.offset, Basis.CORRECTED, 1.0 + look.doubt, marks)
    at, mark = from_wall(reading.stamp, reading.zone)
    if mark:
        marks = (*marks, mark)
    if reading.sure and at > reading.received + 60 * SECOND:
        return Time(reading.received, Basis.ARRIVAL, None, (*marks, "stamp in the future"))
    return Time(at, Basis.CUFF, None, marks)

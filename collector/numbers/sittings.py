"""Sittings: readings taken one after the other, in one morning or one evening.

Rule: readings are put in the order of their times. A reading belongs to the sitting of the one before it when no more
than `sitting_gap_s` lie between them (600 s unless the protocol says otherwise: one minute's pause, the measurement
itself, and the five minutes' wait after a very high reading all fit) and both are of one day. A sitting is of the
session its first reading falls into: one begun at 11:58 stays a morning sitting at 12:01. A reading at other hours
begins no sitting that a later one inside the hours could join. The order in which readings are handed in does not
matter.
"""

from collections.abc import Iterable
from dataclasses import dataclass
from datetime import UTC, date

from collector.numbers.rules import Protocol, Session
from collector.numbers.values import Sample


@dataclass(frozen=True, slots=True)
class Sitting:
    """session: None where it lies outside the hours of both."""

    day: date
    session: Session | None
    samples: tuple[Sample, ...]

    @property
    def taken(self) -> tuple[Sample, ...]:
        """Each measurement once: what was corrected, or written down beside the cuff's own, has another for it."""
        return tuple(one for one in self.samples if not one.noted_again)


def in_order(samples: Iterable[Sample]) -> list[Sample]:
    """By instant, then by id. Raises ValueError where one reading comes twice: it would count twice."""
    ordered = sorted(samples, key=lambda one: (one.taken_at.astimezone(UTC), one.reading_id))
    if len({one.reading_id for one in ordered}) != len(ordered):
        raise ValueError("a reading was handed in twice")
    return ordered


def sittings(samples: Iterable[Sample], protocol: Protocol) -> list[Sitting]:
    """All readings in their sittings, oldest first."""
    found: list[Sitting] = []
    for sample in in_order(samples):
        day, session = protocol.day_and_session(sample.taken_at)
        last = found[-1] if found else None
        if last is not None and last.day == day and _joins(sample, last, session, protocol):
            found[-1] = Sitting(day, last.session, (*last.samples, sample))
        else:
            found.append(Sitting(day, session, (sample,)))
    return found


def _joins(sample: Sample, sitting: Sitting, session: Session | None, protocol: Protocol) -> bool:
    # In UTC: Python takes two times of one zone apart by their wall clocks, wrong in the night the clocks change.
    pause = sample.taken_at.astimezone(UTC) - sitting.samples[-1].taken_at.astimezone(UTC)
    return pause.total_seconds() <= protocol.handling.sitting_gap_s and (session == sitting.session or session is None)

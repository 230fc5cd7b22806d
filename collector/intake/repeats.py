"""Step two of intake: whether the reading that a payload tells of is known already. Pure.

Payloads are taken in order of arrival. Whatever is found depends on that order and the payloads alone, so that doing it
one by one or all at once gives the same readings with the same ids.
"""

from bisect import bisect_right, insort
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from datetime import datetime
from itertools import chain
from typing import NamedTuple

from collector.intake.cuff_facts import CuffFacts
from collector.intake.decode import Content
from collector.intake.reading_ids import MEASUREMENT_US
from collector.intake.sayings import Saying
from collector.intake.sources.own_export import CLOCK, zone_like
from collector.intake.time.arrival_times import ArrivalTimes
from collector.intake.time.zones import zone_of
from collector.store.instants import to_us
from collector.store.journal.payloads import Payload
from collector.store.readings.times import AS_WAS, HAND_CLOCK
from collector.store.readings.write import Result, Row, as_row
from collector.store.values import OutcomeKind, Reading
from parsers.errors import ParseError

SAME_STAMP = "same stamp, other values"


class PayloadOutcome(NamedTuple):
    """What became of one payload.

    fresh: the reading was not known before.
    reading: its row; reading_id: its id.
    """

    kind: OutcomeKind
    reading: int | None = None
    reading_id: str | None = None
    fresh: bool = False
    reason: str | None = None


@dataclass(frozen=True, slots=True)
class Sighting:
    """A payload that told of a reading without stamp. arrived_at: as the station's clock showed it."""

    content: str
    payload: int
    uid: bytes
    visit: int | None
    arrived_at: int
    clock_id: int | None
    reading_id: str


class Known:
    """What is known while payloads are taken up: the readings and the outcomes of payloads, as they are to be.

    rows, results: what bears on the payloads to come. numbers: rows that readings had or, where they are another
    cuff's, have. next_row: of a reading that never was there.
    """

    def __init__(
        self,
        facts: CuffFacts,
        arrived: ArrivalTimes,
        next_row: int,
        rows: Mapping[str, Row] | None = None,
        results: Mapping[int, Result] | None = None,
        *,
        numbers: Mapping[str, int] | None = None,
        elsewhere: Mapping[str, int] | None = None,
        sightings: Iterable[Sighting] = (),
    ) -> None:
        self.rows: dict[str, Row] = dict(rows or {})
        self.results: dict[int, Result] = dict(results or {})
        self.fresh: dict[str, Payload] = {}
        """New readings with their first payloads, in the order in which they came."""
        self._facts, self._arrived, self._next = facts, arrived, next_row
        self._numbers, self._elsewhere = numbers or {}, elsewhere or {}
        self._of_stamp: dict[tuple[str, int | None], list[str]] = {}
        self._in_visit: dict[tuple[str, int], tuple[int, bytes, str]] = {}
        self._lately: dict[tuple[str, int | None], list[tuple[int, int, str]]] = {}
        for row in self.rows.values():
            if row.stamp is not None:
                self._of_stamp.setdefault((row.stamp, row.slot), []).append(row.reading_id)
        for sighting in sightings:
            self._note_unstamped(sighting)

    def take(self, saying: Saying) -> str | None:
        """Find or make the reading of a payload, and note what became of the payload; returns the reading's id."""
        row = saying.arrived.payload.row
        reading_id, kind, reason = saying.reading_id, saying.kind, saying.reason
        number: int | None
        if saying.same_as is not None:
            earlier = self.results.get(saying.same_as)
            number = earlier.reading if earlier else None
        elif saying.content is not None and saying.first is not None and reading_id is not None:
            reading_id, number = self._measured(saying, saying.content, saying.first, reading_id)
        elif saying.imported is not None:
            try:
                reading_id, number = self._imported(saying, *saying.imported)
            except ParseError as error:
                reading_id, number, kind, reason = None, None, OutcomeKind.UNDECODABLE, str(error)
        else:
            number = None
        self.results[row] = Result(row, kind, number, reason)
        for segment in saying.segments:
            self.results[segment] = Result(segment, OutcomeKind.SEGMENT, number, reason)
        return reading_id

    def _measured(self, saying: Saying, said: Content, first: Payload, reading_id: str) -> tuple[str, int]:
        """The reading's id and row."""
        if saying.by_it_alone:
            reading_id = self._said_lately(first, said.identity) or reading_id
        if (strange := self._elsewhere.get(reading_id)) is not None:
            return reading_id, strange
        known = self.rows.get(reading_id)
        if known is not None:
            again = known._replace(sightings=known.sightings + 1)
            if said.by_hand is not None:  # it may say now what it did not say at first
                again = again._replace(
                    pulse=said.pulse if known.pulse is None else known.pulse,
                    note=said.note if known.note is None else known.note,
                )
            self.rows[reading_id] = row = again
        else:
            row = self._new(self._row(saying, said, first, reading_id), first)
            if said.stamp is not None and said.by_hand is None:
                self._mark_equal_stamps(said.stamp, said.slot)
        if row.stamp is None:
            self._note_unstamped(_sighting(saying.arrived.payload, row))
        return reading_id, row.id

    def _imported(self, saying: Saying, reading: Reading, zone: str | None) -> tuple[str, int]:
        """The reading's id and row. Raises ParseError for an offset that no zone has."""
        payload = saying.arrived.payload
        known = self.rows.get(reading.reading_id)
        if known is not None and known.cuff_id == payload.cuff_id:
            self.rows[known.reading_id] = known._replace(sightings=known.sightings + reading.sightings)
        number = known.id if known else self._elsewhere.get(reading.reading_id)
        if number is not None:
            return reading.reading_id, number
        zone = zone or zone_like(reading.taken_at, saying.arrived.zone)
        row = as_row(
            reading,
            number=self._number(reading.reading_id),
            cuff_id=payload.cuff_id,
            payload_id=payload.row,
            visit_id=payload.visit,
            zone=zone,
            origin=CLOCK,
        )
        self._new(row, payload)
        return row.reading_id, row.id

    def _new(self, row: Row, first: Payload) -> Row:
        self.rows[row.reading_id] = row
        self.fresh[row.reading_id] = first
        if row.stamp is not None:
            self._of_stamp.setdefault((row.stamp, row.slot), []).append(row.reading_id)
        return row

    def _number(self, reading_id: str) -> int:
        if (had := self._numbers.get(reading_id)) is not None:
            return had
        self._next += 1
        return self._next - 1

    def _row(self, saying: Saying, said: Content, first: Payload, reading_id: str) -> Row:
        """A reading at its first payload, as if taken when it arrived; whose it is nobody has asked yet."""
        at, zone = saying.arrived.at, saying.arrived.zone
        (slot, systolic, diastolic, mean, unit, pulse, status, status_raw, stamp, note, stamp_us, clock, marks,
            identity, by_hand, as_was) = said  # fmt: skip
        if first.encrypted == 0 and self._facts.bonded_at(first.arrived_at):
            marks = tuple(sorted((*marks, "unencrypted")))
        feature = self._facts.feature_at(first.arrived_at)
        return Row(  # by place: naming each takes three times as long
            zone if by_hand is None else _written_zone(self._arrived, first.station, by_hand, zone),
            slot,
            systolic,
            diastolic,
            mean,
            unit,
            pulse,
            status,
            status_raw,
            stamp,
            note,
            self._number(reading_id),
            reading_id,
            first.cuff_id,
            at,
            None if feature is None else ";".join(feature.checks()),
            stamp_us if by_hand is None else to_us(by_hand),
            clock if by_hand is None else AS_WAS if as_was else HAND_CLOCK,
            identity,
            ";".join(marks),
            1,
            first.row,
            first.visit,
            at,
        )

    def _mark_equal_stamps(self, stamp: str, slot: int | None) -> None:
        """Equal stamp, different values: two readings, both marked."""
        twins = self._of_stamp[stamp, slot]
        for twin in twins if len(twins) > 1 else ():
            row = self.rows[twin]
            marks = {*filter(None, row.content_marks.split(";")), SAME_STAMP}
            self.rows[twin] = row._replace(content_marks=";".join(sorted(marks)))

    def _note_unstamped(self, one: Sighting) -> None:
        if one.visit is not None:
            first = self._in_visit.get((one.content, one.visit))
            mine = (one.arrived_at, one.uid, one.reading_id)
            if first is None or mine < first:
                self._in_visit[one.content, one.visit] = mine
        insort(self._lately.setdefault((one.content, one.clock_id), []), (one.arrived_at, -one.payload, one.reading_id))

    def _said_lately(self, payload: Payload, content: str) -> str | None:
        """The unstamped reading of the same content that came in the payload's visit or just before it."""
        if payload.visit is not None and (found := self._in_visit.get((content, payload.visit))):
            return found[2]
        before = self._lately.get((content, payload.clock_id), [])
        place = bisect_right(before, payload.arrived_at, key=lambda one: one[0])
        if not place or before[place - 1][0] < payload.arrived_at - MEASUREMENT_US:
            return None
        return before[place - 1][2]


def _sighting(payload: Payload, row: Row) -> Sighting:
    return Sighting(
        content=row.content,
        payload=payload.row,
        uid=payload.uid,
        visit=payload.visit,
        arrived_at=payload.arrived_at,
        clock_id=payload.clock_id,
        reading_id=row.reading_id,
    )


def _written_zone(arrived: ArrivalTimes, station: int, at: datetime, usual: str) -> str:
    """The zone whose clock the writer read: the one that holds at the station or, where that shows another time,
    one that held there before or since. A log may be taken in before anybody told the station its zone. A traveller's
    line keeps the offset it was written with, so that a morning stays a morning."""
    for zone in chain([usual], (zone for _, zone in arrived.zones.get(station, ()))):
        if at.astimezone(zone_of(zone)).utcoffset() == at.utcoffset():
            return zone
    try:
        return zone_like(at, usual)
    except ParseError:  # an offset that no zone of the world has
        return usual

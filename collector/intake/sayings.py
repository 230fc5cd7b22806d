"""Step one of intake: what each payload says, and by which id the reading it tells of is known. Pure.

Stored records come in segments: the last one makes the record whole, and says what it holds.
"""

from bisect import bisect_right
from collections.abc import Iterable, Sequence
from dataclasses import replace
from typing import NamedTuple

from collector.intake.cuff_facts import CuffFacts
from collector.intake.decode import Content, Pressure, Undecodable, decode
from collector.intake.reading_ids import MEASUREMENT_US, recorded_id, unstamped_id
from collector.intake.sources import own_export
from collector.store.acceptable import FIRST_INSTANT, LAST_INSTANT
from collector.store.journal.payloads import Payload
from collector.store.values import OutcomeKind, Reading
from parsers.errors import ParseError
from parsers.record import Gap, Reassembler, Record
from parsers.uuids import UNPLACED, Uuid

SEGMENTS_WITHIN_US = 10 * MEASUREMENT_US
"""The segments of one record come within this time."""


class Arrived(NamedTuple):
    """A payload, when it came (microseconds UTC, the station's clock put right) and by which zone's clocks.

    said: the id of its reading, and what it says, where whoever just wrote it knows.
    """

    payload: Payload
    at: int
    zone: str
    said: tuple[str, Content] | None = None


class Saying(NamedTuple):
    """What a payload says: of a reading, or `kind` and `reason`.

    content: of a cuff or a log, imported: of an export, with the name of its zone where that is known. first: the
    payload that the reading is known by; by_it_alone: for want of a stamp. segments: those before this one that it
    took; same_as: the row of the one before of which this is a copy.
    """

    arrived: Arrived
    kind: OutcomeKind
    reason: str | None = None
    content: Content | None = None
    imported: tuple[Reading, str | None] | None = None
    reading_id: str | None = None
    first: Payload | None = None
    by_it_alone: bool = False
    segments: tuple[int, ...] = ()
    same_as: int | None = None


def sayings(batch: Sequence[Arrived], facts: CuffFacts, earlier: Iterable[Payload] = ()) -> list[Saying]:
    """In the order of the batch. earlier: segments from before it that may belong to a record of it."""
    segments: dict[tuple[int | None, int], list[Payload]] = {}
    those = [placed(arrived.payload, facts) for arrived in batch]
    for one in (*(placed(one, facts) for one in earlier), *those):
        if one.characteristic == Uuid.BLOOD_PRESSURE_RECORD:
            segments.setdefault((one.visit, one.station), []).append(one)
    for run in segments.values():
        run.sort(key=lambda one: (one.number, one.uid))
    return [_saying(arrived, payload, facts, segments) for arrived, payload in zip(batch, those, strict=True)]


def placed(payload: Payload, facts: CuffFacts) -> Payload:
    """With its characteristic, where it came from a handle of which only a later discovery tells."""
    if payload.characteristic != UNPLACED or payload.handle is None:
        return payload
    place = facts.characteristic_at(payload.handle, payload.arrived_at)
    return payload._replace(characteristic=place) if place else payload


def _saying(
    arrived: Arrived, payload: Payload, facts: CuffFacts, segments: dict[tuple[int | None, int], list[Payload]]
) -> Saying:
    if not FIRST_INSTANT <= arrived.at < LAST_INSTANT:
        return Saying(arrived, OutcomeKind.UNDECODABLE, "it arrived in no year that can be meant")
    characteristic = payload.characteristic
    if characteristic == UNPLACED and payload.handle is not None:
        return _unplaced(arrived, payload.handle, told=facts.characteristic_at(payload.handle, payload.arrived_at))
    if characteristic == Uuid.BLOOD_PRESSURE_RECORD:
        return _of_segment(arrived, payload, facts, _run(payload, segments[payload.visit, payload.station]))
    if characteristic == own_export.IMPORTED_CHARACTERISTIC:
        try:
            reading, zone = own_export.parse(payload.value)
        except ParseError as error:
            return Saying(arrived, OutcomeKind.UNDECODABLE, str(error))
        if reading.cuff != payload.cuff:
            reading = replace(reading, reading_id=_known_here(reading, payload.cuff))
        return Saying(
            arrived, OutcomeKind.READING, imported=(reading, zone), reading_id=reading.reading_id, first=payload
        )
    if arrived.said is not None:
        reading_id, content = arrived.said
        return Saying(arrived, OutcomeKind.READING, content=content, reading_id=reading_id, first=payload)
    return _of_value(arrived, decode(characteristic, payload.value), payload)


def _known_here(reading: Reading, cuff: str) -> str:
    """The id of an exported reading whose cuff turned out to be one met before under this address."""
    for characteristic in (Uuid.BLOOD_PRESSURE_MEASUREMENT, Uuid.ENHANCED_MEASUREMENT):
        said = decode(characteristic, bytes.fromhex(reading.payload))
        if isinstance(said, Content) and said.known_as(reading.cuff) == reading.reading_id:
            return said.known_as(cuff) or reading.reading_id
    return reading.reading_id


def _unplaced(arrived: Arrived, handle: int, told: int | None) -> Saying:
    if told is not None:
        return Saying(arrived, OutcomeKind.OTHER, f"no measurement stands at handle {handle:#06x}")
    reason = f"it came from handle {handle:#06x} before discovery could tell what stands there"
    return Saying(arrived, OutcomeKind.UNDECODABLE, f"{reason}; the next whole visit tells")


def _of_value(
    arrived: Arrived,
    said: Content | Pressure | Undecodable,
    first: Payload,
    sequence: int | None = None,
    segments: tuple[int, ...] = (),
) -> Saying:
    if isinstance(said, Undecodable):
        return Saying(arrived, OutcomeKind.UNDECODABLE, said.reason, segments=segments)
    if isinstance(said, Pressure):
        return Saying(arrived, OutcomeKind.PRESSURE, segments=segments)
    reading_id = said.known_as(first.cuff)
    if reading_id is None and sequence is not None:
        reading_id = recorded_id(first.cuff, sequence, said.identity)
    elif reading_id is None:
        reading_id = unstamped_id(first.cuff, said.identity, first.uid)
    by_it_alone = said.stamp is None and sequence is None
    # By place: naming each takes twice as long.
    return Saying(arrived, OutcomeKind.READING, None, said, None, reading_id, first, by_it_alone, segments)


def _run(payload: Payload, segments: Sequence[Payload]) -> list[Payload]:
    """This segment and those before it, back to the first of the record."""
    run: list[Payload] = []
    for number in range(bisect_right(segments, payload.number, key=lambda one: one.number) - 1, -1, -1):
        part = segments[number]
        if not payload.arrived_at - SEGMENTS_WITHIN_US <= part.arrived_at <= payload.arrived_at:
            continue
        run.append(part)
        if part.value[:1] and part.value[0] & 1:
            break
    return run[::-1]


def _of_segment(arrived: Arrived, payload: Payload, facts: CuffFacts, run: list[Payload]) -> Saying:
    """A segment of a stored record: with the last one the record is whole."""
    if len(run) > 1 and run[-2].value == payload.value:
        return Saying(arrived, OutcomeKind.SEGMENT, "the same segment again", same_as=run[-2].row)
    feature = facts.feature_at(payload.arrived_at, later=False)
    reassembler = Reassembler(None if feature is None else feature.e2e_crc)
    made: tuple[Record | Gap, ...] = ()
    for part in run:
        made = reassembler.feed(part.value)
    whole = next((item for item in made if isinstance(item, Record)), None)
    if whole is None:
        gap = next((item for item in made if isinstance(item, Gap)), None)
        return Saying(arrived, OutcomeKind.SEGMENT, gap.reason if gap else "the rest of the record did not come")
    segments = tuple(part.row for part in run[:-1])
    if whole.crc_ok is False:
        return Saying(
            arrived, OutcomeKind.UNDECODABLE, f"record {whole.sequence}: its check is wrong", segments=segments
        )
    return _of_value(arrived, decode(whole.uuid, whole.value), run[0], whole.sequence, segments)
